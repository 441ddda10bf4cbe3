"""What a careful person who reads along knows of the bank: who is there, what each pack said last.

Slow and obvious: time is a plain number that never wraps, a reading is a dictionary, and every
question is worked out anew when it is asked. Presence is looked at once a step, as a device can.
"""

from fractions import Fraction
from functools import lru_cache
from itertools import pairwise

from aggregator.settings import PackSettings
from conformance.oracle.breach import Plain
from conformance.oracle.exact import Exact, whole

LIVE, LATE, UNHEARD, REMOVED = "live", "late", "unheard", "removed"
CERTAIN_STIRS = 12  # a device may count a step or two less
READINGS = ("voltage_mv", "current_ma", "cell_min_mv", "cell_max_mv", "soc_permille")
# What is missing from a report, and was said before, stays in force: REQ-LIM-07.
WORDS = (
    "charge_allowed",
    "discharge_allowed",
    "charge_voltage_limit_mv",
    "discharge_voltage_limit_mv",
)


class Pack:
    """One pack: its settings, its last good reading (`said`), and when that was taken [ms]."""

    def __init__(self, settings: PackSettings) -> None:
        self.settings = settings
        self.name = settings.pack
        self.said: Plain = {}
        self.heard = False  # ever
        self.presence = UNHEARD
        self.taken_ms = 0
        self.in_a_row = 0  # fresh readings since it fell silent
        self.moved_ms = 0  # when its readings last moved
        self.stirs = 0  # steps since then in which another pack's current surely moved
        self.others_moved = False  # since then, however little
        self.frozen = False  # found so, and not silent since
        self.suspect_at: int | None = None  # standing still is frozen fresh_ms later, at the latest
        self.doubtful = 0  # readings until nobody can still take it for frozen

    def number(self, name: str) -> int | None:
        """Return an integer of the last reading; None: unknown."""
        value = self.said.get(name)
        return value if isinstance(value, int) else None

    def is_heard(self) -> bool:
        """Live or late?"""
        return self.presence in (LIVE, LATE)

    def is_news(self, sample: int) -> bool:
        """A repeat and an overtaken reading are none; a silent pack may count from anywhere."""
        last = self.number("sample")
        if last is None:
            return True
        ahead = (sample - last) % 65_536
        if self.is_heard() or self.in_a_row:
            return 0 < ahead < 32_768
        return ahead != 0

    def hears(
        self, request: Plain, now_ms: int, fresh_ms: int, unheard_ms: int, needed: int
    ) -> None:
        """Take a sound reading that is news."""
        said = _with_extremes(request)
        if said.get("capacity_mah") is None:
            said["capacity_mah"] = self.settings.capacity_mah
        for name in WORDS:
            if said.get(name) is None and self.presence != REMOVED:
                said[name] = self.said.get(name)
        moved = any(said.get(name) != self.said.get(name) for name in READINGS)
        if moved:
            self.moved_ms, self.stirs, self.others_moved = now_ms, 0, False
            self.doubtful = max(0, self.doubtful - 1)
        age = said.get("age_ms")
        taken_ms = now_ms - (age if isinstance(age, int) else 0)
        gap_ms = taken_ms - self.taken_ms
        self.said, self.heard, self.taken_ms = said, True, taken_ms
        if now_ms - taken_ms > fresh_ms:
            self.in_a_row = 0
            if self.presence == REMOVED and now_ms - taken_ms <= unheard_ms:
                self.presence = UNHEARD  # too old to count, and evidently there
        elif self.presence in (LATE, REMOVED):
            self.presence, self.in_a_row = LIVE, 0
        elif self.presence == UNHEARD:
            self.in_a_row = self.in_a_row + 1 if self.in_a_row and gap_ms <= unheard_ms else 1
            if self.in_a_row >= needed:
                self.presence, self.in_a_row, self.frozen = LIVE, 0, False

    def may_have_moved(self, now_ms: int) -> None:
        """An old sample came: to a device that had found the pack frozen it may be its first word."""
        self.moved_ms, self.stirs, self.suspect_at = now_ms, 0, None

    def ages(
        self, now_ms: int, fresh_ms: int, unheard_ms: int, frozen_ms: int, still: bool
    ) -> None:
        """Let silence age the pack. `still`: its path is open, so its readings may stand still."""
        age_ms = now_ms - self.taken_ms
        stood_ms = now_ms - self.moved_ms
        if self.heard and self.others_moved and stood_ms > frozen_ms:
            self.doubtful = 10
        if not self.is_heard() or self.stirs < CERTAIN_STIRS or stood_ms <= frozen_ms or still:
            self.suspect_at = None
        elif self.suspect_at is None:
            self.suspect_at = now_ms
        if self.presence in (UNHEARD, REMOVED):
            if age_ms > unheard_ms:
                self.in_a_row, self.frozen = 0, False
        elif age_ms > unheard_ms or (
            self.suspect_at is not None and now_ms - self.suspect_at >= fresh_ms
        ):
            self.presence, self.in_a_row = UNHEARD, 0
            self.frozen = age_ms <= unheard_ms
        elif age_ms > fresh_ms:
            self.presence = LATE

    def is_late(self, now_ms: int, fresh_ms: int) -> bool:
        """Is its reading too old to let anything rise? Also of one found frozen."""
        stale = self.presence == UNHEARD and self.frozen and now_ms - self.taken_ms > fresh_ms
        return self.presence == LATE or stale


def _with_extremes(request: Plain) -> Plain:
    """Return the fields of a report, with the extremes taken from its lists where it left them."""
    said = {key: request[key] for key in request if key not in ("op", "t", "pack")}
    for name, low, high in (
        ("cells_mv", "cell_min_mv", "cell_max_mv"),
        ("temperatures_decic", "temperature_min_decic", "temperature_max_decic"),
    ):
        values = said.get(name)
        if isinstance(values, list):
            said[low] = min(values) if said.get(low) is None else said[low]
            said[high] = max(values) if said.get(high) is None else said[high]
    return said


# One direction of current, seen from one pack. `side` is "charge" or "discharge".


def flow_ma(pack: Pack, side: str) -> int | None:
    """Return the pack's current, positive in this direction; None: unknown."""
    current = pack.number("current_ma")
    return None if current is None else current if side == "charge" else -current


def path_open(pack: Pack, side: str, zero_ma: int) -> bool:
    """Can no current flow? The pack's word beats the setting; the setting needs a still current."""
    closed = pack.said.get(side + "_path_closed")
    if closed is not None:
        return closed is False
    flow = flow_ma(pack, side)
    opens = pack.said.get(side + "_allowed") is False and pack.settings.opens_path_on_refusal
    return opens and flow is not None and flow <= zero_ma


def refuses(pack: Pack, side: str, zero_ma: int) -> bool:
    """Does it refuse this direction, with its path closed or not known to be open?"""
    return pack.said.get(side + "_allowed") is False and not path_open(pack, side, zero_ma)


def most_ma(pack: Pack, side: str) -> int:
    """Return the installer's ceiling for this pack, or else its own limit, or else 0."""
    ceiling = getattr(pack.settings, side + "_current_ceiling_ma")
    own = pack.number(side + "_current_limit_ma") or 0
    return own if ceiling is None else int(ceiling)


def usable_ma(pack: Pack, side: str, margin_permille: int) -> Exact:
    """Return what the pack may take: its own limit less margin, tolerance and derating [mA]."""
    settings = pack.settings
    own = min(pack.number(side + "_current_limit_ma") or 0, most_ma(pack, side))
    cold, hot = pack.number("temperature_min_decic"), pack.number("temperature_max_decic")
    cold, hot = (cold if cold is not None else hot), (hot if hot is not None else cold)
    by_temperature = getattr(settings, side + "_temperature_curve")
    by_cell = getattr(settings, side + "_cell_curve")
    cell = pack.number("cell_max_mv" if side == "charge" else "cell_min_mv")
    tolerance = (settings.sensor_tolerance_permille, settings.sensor_tolerance_ma)
    return _usable_ma(own, margin_permille, tolerance, by_temperature, cold, hot, by_cell, cell)


Curve = tuple[tuple[int, int], ...]


@lru_cache(4_096)
def _usable_ma(
    own: int,
    margin_permille: int,
    tolerance: tuple[int, int],
    by_temperature: Curve,
    cold: int | None,
    hot: int | None,
    by_cell: Curve,
    cell: int | None,
) -> Exact:
    permille, offset_ma = tolerance
    left = own * Fraction(1_000 - margin_permille, 1_000) * Fraction(1_000 - permille, 1_000)
    left = max(Fraction(0), left - offset_ma)
    at_temperature = min(along(by_temperature, cold), along(by_temperature, hot))
    return whole(left * at_temperature * along(by_cell, cell))


def along(curve: Curve, x: int | None) -> Fraction:
    """Return the part that a curve leaves at `x`. Unknown: nothing; no curve: everything."""
    if not curve:
        return Fraction(1)
    if x is None:
        return Fraction(0)
    points = [(at, Fraction(permille, 1_000)) for at, permille in curve]
    if x <= points[0][0]:
        return points[0][1]
    for (left, low), (right, high) in pairwise(points):
        if left <= x <= right:
            return low + (high - low) * Fraction(x - left, right - left)
    return points[-1][1]
