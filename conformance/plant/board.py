"""A pack's own battery-management board: protection, limits, charge counter.

Thresholds and delays: protection-board tables of the public kind, 3.65 V over-voltage, 2.5 V
under-voltage, 110 % over-current (common practice, no source; makers differ).
"""

from collections.abc import Callable
from math import inf

from attrs import define, frozen

from .pack import Pack
from .scenario import HOUR_S, PackModel

OVER_CURRENT, SLACK_A = 1.10, 1.0  # of the board's limit, and what its sensor may err
RECLOSE_S = 60.0  # a path stays open for so long, unless the current has turned round
TURNED_A = 1.0
FULL_TAIL, FULL_S = 0.05, 60.0  # so small a current, for so long, is taken for full

Curve = tuple[tuple[float, float], ...]
CHARGE_BY_C: Curve = ((0.0, 0.0), (10.0, 1.0), (45.0, 1.0), (55.0, 0.0))  # part of the limit
DISCHARGE_BY_C: Curve = ((-20.0, 0.0), (0.0, 1.0), (55.0, 1.0), (60.0, 0.0))
CHARGE_BY_HIGH_V: Curve = ((3.45, 1.0), (3.58, 0.1))


@define
class Path:
    """One direction of a pack's switch."""

    why: str = ""  # the guard that opened it
    opened_s: float = 0.0
    forced: bool = False  # open by a fault of the scenario

    def is_open(self) -> bool:
        """Is this direction blocked?"""
        return self.forced or self.why != ""


@frozen
class Guard:
    """One protection: its path opens when `value` has been above `trips_above` for `delay_s`."""

    name: str  # as in the core's table of alarms
    charge: bool  # which path
    value: Callable[["Board", Pack], float]
    trips_above: float
    calm_below: float  # the path may close again
    delay_s: float | None  # None: the pack's `trip_s`


GUARDS = (
    Guard("cell_over_voltage", True, lambda b, p: p.high_v, 3.65, 3.40, 2.0),
    Guard("cell_under_voltage", False, lambda b, p: -p.low_v, -2.50, -3.00, 5.0),
    Guard("charge_over_current", True, lambda b, p: p.current_a - b.charge_trip_a, 0.0, inf, None),
    Guard(
        "discharge_over_current",
        False,
        lambda b, p: -p.current_a - b.discharge_trip_a,
        0.0,
        inf,
        None,
    ),
    Guard("charge_over_temperature", True, lambda b, p: p.temperature_c, 55.0, 50.0, 5.0),
    Guard("charge_under_temperature", True, lambda b, p: -p.temperature_c, 0.0, -2.0, 5.0),
    Guard("discharge_over_temperature", False, lambda b, p: p.temperature_c, 60.0, 55.0, 5.0),
    Guard("discharge_under_temperature", False, lambda b, p: -p.temperature_c, 20.0, 18.0, 5.0),
)
GUARD = {guard.name: guard for guard in GUARDS}


def part(at: float, curve: Curve) -> float:
    """Return the value of a curve, level beyond its ends."""
    (x0, y0), *rest = curve
    if at <= x0:
        return y0
    for x1, y1 in rest:
        if at < x1:
            return y0 + (y1 - y0) * (at - x0) / (x1 - x0)
        x0, y0 = x1, y1
    return y0


class Board:
    """The board of one pack. May current flow in (charge), out (discharge)?"""

    def __init__(self, model: PackModel) -> None:
        self.model = model
        self.charge = Path()
        self.discharge = Path()
        self.trips: list[tuple[float, str]] = []
        self.counted = min(1.0, max(0.0, model.charge + model.counter_error))
        self.charge_limit_a = model.charge_limit_a
        self.discharge_limit_a = model.discharge_limit_a
        self.charge_trip_a: float = model.charge_limit_a
        self.discharge_trip_a: float = model.discharge_limit_a
        self._hurt_s = [0.0] * len(GUARDS)
        self._full_s = 0.0

    @property
    def charge_open(self) -> bool:
        """Is the charge path open, so that only discharge flows?"""
        return self.charge.is_open()

    @property
    def discharge_open(self) -> bool:
        """Is the discharge path open, so that only charge flows?"""
        return self.discharge.is_open()

    def protections(self) -> list[str]:
        """Return what has opened a path."""
        return [path.why for path in (self.charge, self.discharge) if path.why]

    def warnings(self) -> list[str]:
        """Return what will open a path if it goes on."""
        return [guard.name for guard, s in zip(GUARDS, self._hurt_s, strict=True) if s]

    def look(self, pack: Pack, now_s: float, dt_s: float) -> None:
        """Guard the pack for one step, then say what it may take."""
        hurt_s = self._hurt_s
        for k, guard in enumerate(GUARDS):
            if guard.value(self, pack) > guard.trips_above:
                hurt_s[k] += dt_s
                self._trip(guard, hurt_s[k], now_s)
            elif hurt_s[k]:
                hurt_s[k] = 0.0
        if self.charge.why:
            self._reclose(self.charge, pack, now_s, -pack.current_a)
        if self.discharge.why:
            self._reclose(self.discharge, pack, now_s, pack.current_a)
        self._limit(pack)
        self._count(pack, dt_s)

    def _trip(self, guard: Guard, hurt_s: float, now_s: float) -> None:
        path = self.charge if guard.charge else self.discharge
        delay_s = self.model.trip_s if guard.delay_s is None else guard.delay_s
        if not path.why and hurt_s >= delay_s:
            path.why, path.opened_s = guard.name, now_s
            self.trips.append((now_s, guard.name))

    def _reclose(self, path: Path, pack: Pack, now_s: float, turned_a: float) -> None:
        guard = GUARD[path.why]
        if guard.value(self, pack) < guard.calm_below and (
            turned_a > TURNED_A or now_s - path.opened_s >= RECLOSE_S
        ):
            path.why = ""

    def _limit(self, pack: Pack) -> None:
        """The board's own limits: less when cold or hot, less as the highest cell nears the top.

        It trips at 110 % of its limit of the moment, or of its rating if `trips_on_rating`.
        """
        model = self.model
        celsius = pack.temperature_c
        self.charge_limit_a = model.charge_limit_a * part(celsius, CHARGE_BY_C)
        if model.tapers:
            self.charge_limit_a *= part(pack.high_v, CHARGE_BY_HIGH_V)
        self.discharge_limit_a = model.discharge_limit_a * part(celsius, DISCHARGE_BY_C)
        rated = model.trips_on_rating
        charge_a = model.charge_limit_a if rated else self.charge_limit_a
        discharge_a = model.discharge_limit_a if rated else self.discharge_limit_a
        self.charge_trip_a = OVER_CURRENT * charge_a + SLACK_A
        self.discharge_trip_a = OVER_CURRENT * discharge_a + SLACK_A

    def _count(self, pack: Pack, dt_s: float) -> None:
        """The charge counter: drifts by its sensor's error, and comes right when full."""
        model = self.model
        counted_a = pack.current_a * model.counter_gain + model.counter_offset_a
        counted = self.counted + counted_a * dt_s / (model.capacity_ah * HOUR_S)
        full = (
            pack.stack_v() > model.counter_full_v
            and abs(pack.current_a) < FULL_TAIL * model.capacity_ah
        )
        self._full_s = self._full_s + dt_s if full else 0.0
        if self._full_s >= FULL_S:
            counted = 1.0
        self.counted = min(1.0, max(0.0, counted))
