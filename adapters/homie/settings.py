"""How the bank appears on a broker."""

from collections.abc import Callable

from attrs import field, frozen
from attrs.validators import in_, matches_re


def _seconds(low: float, high: float) -> Callable[[object, object, float], None]:
    def check(_: object, __: object, value: float) -> None:
        if not low <= value <= high:
            raise ValueError(f"{low:g}..{high:g} s")

    return check


@frozen(kw_only=True)
class HomieSettings:
    """The bank as Homie devices."""

    # id of the root device; a pack's is this, a hyphen, and the pack's name
    device: str = field(default="battery-bank", validator=matches_re(r"[a-z0-9-]{1,40}"))
    name: str = "Battery bank"  # for people
    # the first level of every topic
    domain: str = field(default="homie", validator=matches_re(r"[^+#/\x00]{1,40}"))
    qos: int = field(default=2, validator=in_((0, 1, 2)))  # the convention recommends 2
    # changed values at most so often; a limit that falls never waits
    every_s: float = field(default=1.0, validator=_seconds(0.1, 60))
    refresh_s: float = field(default=60.0, validator=_seconds(5, 3_600))  # every value so often
    beat_s: float = field(default=5.0, validator=_seconds(1, 60))  # the limits at least so often
    # how long the limits hold from then on, at least twice beat_s. Shorter: a charger stops sooner
    # when we are gone; longer: a poor connection stops it less often.
    hold_s: int = field(default=15, validator=_seconds(3, 300))
    requests: bool = False  # may anybody on the broker ask for less?
    requests_last_s: int = field(default=3_600, validator=_seconds(1, 432_000))  # then they run out
    source: str = field(default="homie", validator=matches_re(r"[ -~]{1,32}"))  # who asks

    def __attrs_post_init__(self) -> None:
        if self.hold_s < 2 * self.beat_s:
            raise ValueError("hold_s of at least twice beat_s")
