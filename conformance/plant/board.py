"""A pack's own battery-management board: protection, limits, charge counter.

Thresholds and delays: protection-board tables of the public kind, 3.65 V over-voltage, 2.5 V
under-voltage, 110 % over-current (common practice, no source; makers differ).
"""

from .cell import CELLS
from .pack import Pack
from .scenario import HOUR_S, PackModel

OVER_V, OVER_S = 3.65, 2.0
UNDER_V, UNDER_S = 2.50, 5.0
RECLOSE_BELOW_V, RECLOSE_ABOVE_V = 3.40, 3.00
OVER_CURRENT = 1.10
RECLOSE_S = 60.0  # after an over-current, and before a voltage trip may clear
TAPER_FROM_V, TAPER_TO_V, TAPER_LEAST = 3.45, 3.58, 0.10
COLD_C, WARM_C, HOT_C, TOO_HOT_C = 0.0, 10.0, 45.0, 55.0
FULL_CELL_V, FULL_TAIL = 3.45, 0.05  # the counter takes this for full


class Board:
    """The board of one pack. Paths: may current flow in (charge), out (discharge)?"""

    def __init__(self, model: PackModel) -> None:
        self.model = model
        self.charge_open = False
        self.discharge_open = False
        self.charge_why = ""
        self.discharge_why = ""
        self.trips: list[tuple[float, str]] = []
        self.counted = min(1.0, max(0.0, model.charge + model.counter_error))
        self.charge_limit_a = model.charge_limit_a
        self.discharge_limit_a = model.discharge_limit_a
        self.forced_open = False
        self._over_s = self._under_s = self._charge_s = self._discharge_s = 0.0
        self._opened_s = 0.0

    def look(self, pack: Pack, now_s: float, dt_s: float) -> None:
        """Guard the pack for one step, then say what it may take."""
        amps = pack.current_a
        self._over_s = self._over_s + dt_s if pack.high_v > OVER_V else 0.0
        self._under_s = self._under_s + dt_s if pack.low_v < UNDER_V else 0.0
        over = amps > OVER_CURRENT * self.charge_limit_a + 1.0
        self._charge_s = self._charge_s + dt_s if over else 0.0
        over = -amps > OVER_CURRENT * self.discharge_limit_a + 1.0
        self._discharge_s = self._discharge_s + dt_s if over else 0.0
        if not self.charge_open:
            if self._over_s >= OVER_S:
                self._trip_charge(now_s, "cell_over_voltage")
            elif self._charge_s >= self.model.trip_s:
                self._trip_charge(now_s, "charge_over_current")
        elif now_s - self._opened_s >= RECLOSE_S and (
            self.charge_why == "charge_over_current" or pack.high_v < RECLOSE_BELOW_V
        ):
            self.charge_open = False
        if not self.discharge_open:
            if self._under_s >= UNDER_S:
                self._trip_discharge(now_s, "cell_under_voltage")
            elif self._discharge_s >= self.model.trip_s:
                self._trip_discharge(now_s, "discharge_over_current")
        elif now_s - self._opened_s >= RECLOSE_S and (
            self.discharge_why == "discharge_over_current" or pack.low_v > RECLOSE_ABOVE_V
        ):
            self.discharge_open = False
        self._limit(pack)
        self._count(pack, dt_s)

    def _trip_charge(self, now_s: float, why: str) -> None:
        self.charge_open, self.charge_why, self._opened_s = True, why, now_s
        self.trips.append((now_s, why))

    def _trip_discharge(self, now_s: float, why: str) -> None:
        self.discharge_open, self.discharge_why, self._opened_s = True, why, now_s
        self.trips.append((now_s, why))

    def _limit(self, pack: Pack) -> None:
        """The board's own limits: less when cold or hot, less as the highest cell nears the top."""
        t = self.model.temperature_c
        part = 1.0
        if t < WARM_C:
            part = max(0.0, (t - COLD_C) / (WARM_C - COLD_C))
        elif t > HOT_C:
            part = max(0.0, (TOO_HOT_C - t) / (TOO_HOT_C - HOT_C))
        if self.model.tapers and pack.high_v > TAPER_FROM_V:
            slope = (pack.high_v - TAPER_FROM_V) / (TAPER_TO_V - TAPER_FROM_V)
            part *= max(TAPER_LEAST, 1 - slope * (1 - TAPER_LEAST))
        self.charge_limit_a = self.model.charge_limit_a * part

    def _count(self, pack: Pack, dt_s: float) -> None:
        """The charge counter: drifts by its sensor's offset, and comes right when full."""
        capacity_as = self.model.capacity_ah * HOUR_S
        self.counted += (pack.current_a + self.model.counter_offset_a) * dt_s / capacity_as
        tail_a = FULL_TAIL * self.model.capacity_ah
        if pack.stack_v() > CELLS * FULL_CELL_V and abs(pack.current_a) < tail_a:
            self.counted = 1.0
        self.counted = min(1.0, max(0.0, self.counted))
