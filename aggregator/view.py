"""What the bank says: `SystemView`, with a `PackRow` for each pack, a `Cap` for each reason.

The aggregator fills one view and hands it out again after every step; `copy()` keeps one. All
fields are as of the last step, but for `packs`, which shows each pack as it is when asked. None
means unknown.
"""

from .report import alarm_names

# Whole-bank numbers, each with its unit in its name; the comment is the documentation.
VIEW_FIELDS = (
    "voltage_mv",  # mean of live packs
    "voltage_min_mv",  # lowest of live packs
    "voltage_max_mv",  # highest of live packs
    # sum over live and late packs, positive: charging; if one does not say, what a bus meter says
    "current_ma",
    "power_w",  # voltage times current, rounded down
    "soc_permille",  # weighted by present capacity over live and late packs, rounded down
    "soc_min_permille",  # lowest
    "soc_max_permille",  # highest
    "soh_permille",  # lowest of live and late packs
    "capacity_mah",  # present full capacity, summed over live and late packs
    "remaining_mah",  # charge left in them
    "cell_min_mv",  # lowest cell of all packs that are not removed
    "cell_max_mv",  # highest cell of all packs that are not removed
    "cell_min_pack",  # the pack it is in
    "cell_max_pack",
    "cell_min_no",  # its number there
    "cell_max_no",
    "temperature_min_decic",  # coldest sensor, 0.1 °C
    "temperature_max_decic",  # hottest sensor, 0.1 °C
    "temperature_min_pack",
    "temperature_max_pack",
    "warnings",  # union over all packs that are not removed
    "protections",
    "partial",  # true: a pack is late or unheard, or does not report its charge or capacity
    "charge_allowed",  # false exactly when the charge current limit is 0
    "discharge_allowed",  # false exactly when the discharge current limit is 0
    "charge_voltage_limit_mv",  # chargers: not above
    "discharge_voltage_limit_mv",  # loads: not below
    "charge_current_limit_ma",  # total into all packs
    "discharge_current_limit_ma",  # total out of all packs, a magnitude
    "charge_voltage_rule",  # the rule that binds, and the pack it speaks of
    "charge_voltage_pack",
    "discharge_voltage_rule",
    "discharge_voltage_pack",
    "charge_current_rule",
    "charge_current_pack",
    "discharge_current_rule",
    "discharge_current_pack",
    "stage",  # bulk, absorption, float or paused
    "stage_elapsed_ms",  # since the stage was entered (paused: since it was paused)
    "stage_ends",  # the transition that comes next, if its time is known
    "stage_ends_ms",  # time until then
    "role",  # alone: one board hears all packs
    "may_speak",  # display only; adapters ask `may_speak(now_ms)` before each frame
    "rejected",  # reports, requests and states refused since the start
    "last_refusal",  # the latest of them, in words
)

# Fields that are properties, and the fields behind them.
COMPUTED_FIELDS = (
    "cell_min_pack",
    "cell_max_pack",
    "temperature_min_pack",
    "temperature_max_pack",
    "warnings",
    "protections",
)
HIDDEN_FIELDS = (
    "cell_min_row",
    "cell_max_row",
    "temperature_min_row",
    "temperature_max_row",
    "warning_bits",
    "protection_bits",
    "findings",
)

ROW_FIELDS = (
    "pack",  # its name
    "presence",  # live, late, unheard or removed
    "charge_contribution_ma",  # what it adds to the charge limit's sum
    "discharge_contribution_ma",
    "share_permille",  # its learned share of extra current
    "why_ignored",  # why it is not live, or adds nothing
)


class Cap:
    """A limit may not pass `value` (mA or mV), because `rule` says so, about `pack` (or None)."""

    __slots__ = ("pack", "rule", "value")

    def __init__(self, value: int, rule: str, pack: str | None = None) -> None:
        self.value = value
        self.rule = rule
        self.pack = pack

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Cap)
            and self.value == other.value
            and self.rule == other.rule
            and self.pack == other.pack
        )

    def __hash__(self) -> int:
        return hash((self.value, self.rule, self.pack))

    def __repr__(self) -> str:
        pack = "None" if self.pack is None else '"' + self.pack + '"'
        return "Cap(" + str(self.value) + ', "' + self.rule + '", ' + pack + ")"


class PackRow:
    """One pack as the last step saw it. Fields: ROW_FIELDS."""

    __slots__ = (
        "charge_contribution_ma",
        "discharge_contribution_ma",
        "pack",
        "presence",
        "share_permille",
        "why_ignored",
    )

    def __init__(self, pack: str) -> None:
        self.pack = pack
        self.presence = "unheard"
        self.charge_contribution_ma = 0
        self.discharge_contribution_ma = 0
        self.share_permille: int | None = None
        self.why_ignored: str | None = None


class Finding:
    """Something to look at: `name` (the table in findings.py) about `pack` (None: the bank)."""

    __slots__ = ("name", "pack")

    def __init__(self, name: str, pack: str | None) -> None:
        self.name = name
        self.pack = pack

    def __repr__(self) -> str:
        return "Finding(" + self.name + ", " + str(self.pack) + ")"


class RowSource:
    """Where a view gets its pack rows from, when somebody asks (see rows.py)."""

    def pack_rows(self) -> list[PackRow]:
        return []


class SystemView:
    """The whole bank as of the last step. Fields and units: VIEW_FIELDS; `packs`: a PackRow each,
    in the order of their names; `findings`: a list of Finding."""

    def __init__(self, names: list[str]) -> None:
        self.names = names
        self.voltage_mv: int | None = None
        self.voltage_min_mv: int | None = None
        self.voltage_max_mv: int | None = None
        self.current_ma: int | None = None
        self.power_w: int | None = None
        self.soc_permille: int | None = None
        self.soc_min_permille: int | None = None
        self.soc_max_permille: int | None = None
        self.soh_permille: int | None = None
        self.capacity_mah = 0
        self.remaining_mah: int | None = None
        self.cell_min_mv: int | None = None
        self.cell_max_mv: int | None = None
        self.cell_min_row = 0
        self.cell_max_row = 0
        self.cell_min_no: int | None = None
        self.cell_max_no: int | None = None
        self.temperature_min_decic: int | None = None
        self.temperature_max_decic: int | None = None
        self.temperature_min_row = 0
        self.temperature_max_row = 0
        self.warning_bits = 0
        self.protection_bits = 0
        self.partial = True
        self.charge_allowed = False
        self.discharge_allowed = False
        self.charge_voltage_limit_mv = 0
        self.discharge_voltage_limit_mv = 0
        self.charge_current_limit_ma = 0
        self.discharge_current_limit_ma = 0
        self.charge_voltage_rule = ""
        self.charge_voltage_pack: str | None = None
        self.discharge_voltage_rule = ""
        self.discharge_voltage_pack: str | None = None
        self.charge_current_rule = ""
        self.charge_current_pack: str | None = None
        self.discharge_current_rule = ""
        self.discharge_current_pack: str | None = None
        self.stage = "bulk"
        self.stage_elapsed_ms = 0
        self.stage_ends: str | None = None
        self.stage_ends_ms: int | None = None
        self.role = "alone"
        self.may_speak = False
        self.rejected = 0
        self.last_refusal: str | None = None
        self.findings: list[Finding] = []
        self.rows: list[PackRow] | None = None  # a copy's own; None: ask the source
        self.source = RowSource()

    @property
    def packs(self) -> list[PackRow]:
        return self.source.pack_rows() if self.rows is None else self.rows

    def copy(self) -> "SystemView":
        """Return a view that the next step leaves alone."""
        kept = SystemView(self.names)
        for name in VIEW_FIELDS + HIDDEN_FIELDS:
            if name not in COMPUTED_FIELDS:
                setattr(kept, name, getattr(self, name))
        kept.rows = self.packs
        return kept

    @property
    def cell_min_pack(self) -> str | None:
        return None if self.cell_min_mv is None else self.names[self.cell_min_row]

    @property
    def cell_max_pack(self) -> str | None:
        return None if self.cell_max_mv is None else self.names[self.cell_max_row]

    @property
    def temperature_min_pack(self) -> str | None:
        known = self.temperature_min_decic is not None
        return self.names[self.temperature_min_row] if known else None

    @property
    def temperature_max_pack(self) -> str | None:
        known = self.temperature_max_decic is not None
        return self.names[self.temperature_max_row] if known else None

    @property
    def warnings(self) -> tuple[str, ...]:
        return alarm_names(self.warning_bits)

    @property
    def protections(self) -> tuple[str, ...]:
        return alarm_names(self.protection_bits)
