"""What is remembered of a conversation beside the packs: wishes, the daily charge, two directions."""

from attrs import define, field, frozen

from aggregator.errors import SettingsError
from aggregator.settings import BankSettings, PackSettings, StageSettings
from conformance.oracle.breach import Plain


@frozen
class Wish:
    """A wish in force until `until_ms` (None: until cleared)."""

    kind: str
    pack: str | None
    source: str
    value: int
    until_ms: int | None

    def key(self) -> tuple[str, str | None, str]:
        """What a repeat replaces."""
        return self.kind, self.pack, self.source


@define
class Cycle:
    """The daily charge as the target shows it, and the evidence for its transitions [ms]."""

    stage: str = "bulk"  # the last one shown that was not paused
    shown: str | None = None  # the last one shown
    elapsed_ms: int = 0  # as it was last shown for `stage`
    reached_ms: int = 0  # the target has been held without a break
    arrived_ms: int = 0  # a cell has been at its ceiling without a break
    absorbing_ms: int = 0  # wall time since absorption began
    held_ms: int = 0  # at most so much of it with the voltage held
    dip_ms: int = 0  # at most so long without the voltage held
    since_start_ms: int = 0  # since the last start of bulk, as far as seen
    float_ms: int = 0
    low_ms: int = 0
    idle_ms: int = 0
    asked: bool = False
    adjusted: dict[str, int] = field(factory=dict)


@frozen
class Reading:
    """What flowed in one direction at one time [mA]: the total, and each heard pack's own."""

    at_ms: int
    total: int
    flows: dict[str, int]


@define
class Side:
    """One direction of current. Times are those of the last step at which something held."""

    denied: bool = False  # in the last step
    denied_at: int | None = None
    path_changed_at: int | None = None
    over_at: int | None = None
    readings: list[Reading] = field(factory=list)  # with the same packs, not too old


def settings_of(request: Plain) -> BankSettings | None:
    """Return the settings of a reset; None: they make no sense."""
    plain = request.get("settings")
    if not isinstance(plain, dict) or not isinstance(plain.get("packs"), list):
        return None
    try:
        fields = dict(plain)
        fields["packs"] = [PackSettings(**pack) for pack in plain["packs"]]
        if fields.get("stages") is not None:
            fields["stages"] = StageSettings(**fields["stages"])
        return BankSettings(**fields)
    except (SettingsError, TypeError, KeyError):
        return None
