"""The packs as one battery: sums, extremes and charge-weighted values, written into the view.

Each pack writes its row of the columns when a report comes in or its presence changes; a step
needs only sums and extremes over columns. A pack that does not count holds the neutral element.
What changes seldom, charge and temperature, is told again only when it has.
"""

from .pack import LATE, LIVE, REMOVED, Pack
from .presence import FROZEN_LATE
from .reference import NO, NO_CAP
from .report import PackReport, alarm_bits
from .view import SystemView

# What a pack is to the bank now.
SPEAKS = 1  # live, and says its voltage
HOLDS = 2  # its reading is late: nothing may rise
MUTE = 4  # unheard
UNTOLD = 8  # live or late, but does not say its current
ALARMED = 16  # warns or protects itself
# The neutral element of a maximum: no voltage, temperature or charge gets there.
NONE_SO_HIGH = -NO_CAP
# Capacities are summed in 0.1 Ah, so that charge times capacity stays a small integer.
MAH_PER_UNIT = 100


class Merge:
    """The columns of everything that is added up or compared over packs."""

    def __init__(self, count: int) -> None:
        self.who = bytearray(count)  # SPEAKS to ALARMED, added up
        self.complete = bytearray(count)  # yes or no: says its charge and capacity, or is removed
        self.voltage_mv = [0] * count  # for the sum and the greatest
        self.voltage_low_mv = [NO_CAP] * count
        self.current_ma = [0] * count
        self.capacity = [0] * count  # 0.1 Ah, of all that are heard
        self.weight = [0] * count  # 0.1 Ah, of those that also say their charge
        self.charged = [0] * count  # charge times weight
        self.soc_low = [NO_CAP] * count
        self.soc_high = [NONE_SO_HIGH] * count
        self.soh_low = [NO_CAP] * count
        self.cell_low_mv = [NO_CAP] * count
        self.cell_high_mv = [NONE_SO_HIGH] * count
        self.cold_decic = [NO_CAP] * count
        self.hot_decic = [NONE_SO_HIGH] * count
        self.live_count = 0
        self.unknown_count = 0
        self.alarmed_count = 0
        self.who_moved = True  # since the last `count_all`
        self.cells_moved = True  # since the last `tell`
        self.charge_moved = True
        self.temperature_moved = True
        self.warnings = [0] * count
        self.protections = [0] * count

    def hear(self, i: int, report: PackReport) -> None:
        """Note what only this place keeps; `enter` must follow."""
        self._enter_health(i, _or(report.soh_permille, NO_CAP))
        self.warnings[i] = alarm_bits(report.warnings)
        self.protections[i] = alarm_bits(report.protections)

    def enter(self, pack: Pack) -> None:
        """Write the pack's row, from its last reading and its presence."""
        i = pack.index
        live = pack.presence == LIVE
        heard = live or pack.presence == LATE
        removed = pack.presence == REMOVED
        speaks = live and pack.voltage_mv is not None
        who = SPEAKS if speaks else 0
        if heard:
            if pack.current_ma is None:
                who += UNTOLD
        elif not removed:
            who += MUTE
        if pack.presence == LATE or pack.silence == FROZEN_LATE:
            who += HOLDS
        if (self.warnings[i] or self.protections[i]) and not removed:
            who += ALARMED
        if who != self.who[i]:
            self.who[i] = who
            self.who_moved = True
        self.voltage_mv[i] = (pack.voltage_mv or 0) if speaks else 0
        self.voltage_low_mv[i] = _or(pack.voltage_mv if live else None, NO_CAP)
        self.current_ma[i] = (pack.current_ma or 0) if heard else 0
        soc = pack.soc_permille if heard else None
        capacity_mah = pack.capacity_mah if heard else None
        known = live and soc is not None and capacity_mah is not None
        complete = 1 if known or removed else 0
        self._enter_charge(i, soc, _or(capacity_mah, 0) // MAH_PER_UNIT, complete)
        if not heard:
            self._enter_health(i, NO_CAP)
        low_mv = NO_CAP if removed else _or(pack.cell_min_mv, NO_CAP)
        high_mv = NONE_SO_HIGH if removed else _or(pack.cell_max_mv, NONE_SO_HIGH)
        if low_mv != self.cell_low_mv[i] or high_mv != self.cell_high_mv[i]:
            self.cell_low_mv[i] = low_mv
            self.cell_high_mv[i] = high_mv
            self.cells_moved = True
        cold = NO_CAP if removed else _or(pack.temperature_min_decic, NO_CAP)
        hot = NONE_SO_HIGH if removed else _or(pack.temperature_max_decic, NONE_SO_HIGH)
        if cold != self.cold_decic[i] or hot != self.hot_decic[i]:
            self.cold_decic[i] = cold
            self.hot_decic[i] = hot
            self.temperature_moved = True

    def _enter_charge(self, i: int, soc: int | None, capacity: int, complete: int) -> None:
        low = _or(soc, NO_CAP)
        if low != self.soc_low[i] or capacity != self.capacity[i] or complete != self.complete[i]:
            self.charge_moved = True
            self.soc_low[i] = low
            self.soc_high[i] = _or(soc, NONE_SO_HIGH)
            self.capacity[i] = capacity
            self.weight[i] = 0 if soc is None else capacity
            self.charged[i] = _or(soc, 0) * self.weight[i]
            self.complete[i] = complete

    def _enter_health(self, i: int, low: int) -> None:
        if low != self.soh_low[i]:
            self.charge_moved = True
            self.soh_low[i] = low

    def count_all(self) -> None:
        """Count anew what changes only with who is there, and how."""
        self.who_moved = False
        self.live_count = self.count(SPEAKS)
        self.unknown_count = self.count(UNTOLD)
        self.alarmed_count = self.count(ALARMED)

    def count(self, bit: int) -> int:
        """How many packs are that, of SPEAKS to ALARMED?"""
        found = 0
        for who in self.who:
            if who & bit:
                found += 1
        return found

    def first(self, bit: int) -> int:
        """Return the row of the first pack that is that; -1: none is."""
        for i in range(len(self.who)):
            if self.who[i] & bit:
                return i
        return -1

    def tell(self, view: SystemView, packs: list[Pack], bus_ma: int | None) -> None:
        """Write the bank's numbers into the view.

        `bus_ma`: the bus meter's word; it tells the total where a pack does not say its current.
        """
        view.current_ma = bus_ma if self.unknown_count else sum(self.current_ma)
        self._tell_power(view)
        if self.charge_moved:
            self.charge_moved = False
            self._tell_charge(view)
        if self.temperature_moved:
            self.temperature_moved = False
            self._tell_temperature(view)
        if self.cells_moved:
            self.cells_moved = False
            self._tell_cells(view)
        view.warning_bits = self._union(self.warnings) if self.alarmed_count else 0
        view.protection_bits = self._union(self.protections) if self.alarmed_count else 0
        view.cell_min_no = None
        view.cell_max_no = None
        if view.cell_min_mv is not None:
            view.cell_min_no = packs[view.cell_min_row].cell_min_no
        if view.cell_max_mv is not None:
            view.cell_max_no = packs[view.cell_max_row].cell_max_no

    def _union(self, column: list[int]) -> int:
        """Every alarm in a column, of the packs that count."""
        bits = 0
        for i in range(len(column)):
            if self.who[i] & ALARMED:
                bits |= column[i]
        return bits

    def _tell_power(self, view: SystemView) -> None:
        live = self.live_count
        view.power_w = None
        if live == 0:
            view.voltage_mv = None
            view.voltage_min_mv = None
            view.voltage_max_mv = None
            if self.count(MUTE) == len(self.who):
                view.current_ma = None
            return
        view.voltage_mv = sum(self.voltage_mv) // live
        view.voltage_min_mv = min(self.voltage_low_mv)
        view.voltage_max_mv = max(self.voltage_mv)
        if view.current_ma is not None:
            # 10 mV times 100 mA is 1 mW: stays a small integer.
            view.power_w = (view.voltage_mv // 10) * (view.current_ma // 100) // 1_000

    def _tell_cells(self, view: SystemView) -> None:
        low_mv = min(self.cell_low_mv)
        high_mv = max(self.cell_high_mv)
        view.cell_min_mv = None if low_mv == NO_CAP else low_mv
        view.cell_max_mv = None if high_mv == NONE_SO_HIGH else high_mv
        view.cell_min_row = self.cell_low_mv.index(low_mv)
        view.cell_max_row = self.cell_high_mv.index(high_mv)

    def _tell_temperature(self, view: SystemView) -> None:
        cold = min(self.cold_decic)
        hot = max(self.hot_decic)
        view.temperature_min_decic = None if cold == NO_CAP else cold
        view.temperature_max_decic = None if hot == NONE_SO_HIGH else hot
        view.temperature_min_row = self.cold_decic.index(cold)
        view.temperature_max_row = self.hot_decic.index(hot)

    def _tell_charge(self, view: SystemView) -> None:
        weight = sum(self.weight)
        view.capacity_mah = sum(self.capacity) * MAH_PER_UNIT
        view.partial = self.complete.find(NO) >= 0
        soh = min(self.soh_low)
        view.soh_permille = None if soh == NO_CAP else soh
        if weight == 0:
            view.soc_permille = None
            view.soc_min_permille = None
            view.soc_max_permille = None
            view.remaining_mah = None
            return
        charged = sum(self.charged)
        view.soc_permille = charged // weight
        view.soc_min_permille = min(self.soc_low)
        view.soc_max_permille = max(self.soc_high)
        view.remaining_mah = charged // (1_000 // MAH_PER_UNIT)


def _or(value: int | None, neutral: int) -> int:
    return neutral if value is None else value
