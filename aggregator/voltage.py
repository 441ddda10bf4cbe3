"""One voltage limit, charge or discharge: the smallest of every pack's word and its top cell's.

The discharge voltage is the charge voltage in a mirror: all values here carry `sign`, so that
"smallest" is the cautious side for both, and the limit is `sign * value`.
"""

from .pack import REMOVED, Pack
from .ramp import Limit
from .reference import NO_CAP, YES

CELL_GAIN = 4  # mV of pack voltage granted for each mV that the extreme cell is away from its end
VOLTAGE_RULE_COUNT = 8  # rows of rules.VOLTAGE_RULES
HIGHEST_MV = 150_000
NEAR_END_MV = 50  # a cell this close to its ceiling (or floor) has arrived


class Slope:
    """A voltage target without hurry: falls along a slope, rises at once (the ramp is elsewhere).

    `value` is None when nothing is asked.
    """

    def __init__(self) -> None:
        self.value: int | None = None
        self.carry = 0

    def follow(self, target_mv: int | None, start_mv: int, slope_mv_per_s: int, dt_ms: int) -> None:
        """Go towards `target_mv`, coming from `start_mv` where nothing was asked before."""
        if target_mv is None:
            self.value = None
            return
        if self.value is None:
            self.value = max(target_mv, start_mv)
        if target_mv >= self.value:
            self.value = target_mv
            self.carry = 0
            return
        self.carry += min(dt_ms, 60_000) * slope_mv_per_s
        self.value = max(target_mv, self.value - self.carry // 1_000)
        self.carry %= 1_000


class VoltageSide:
    """The columns of one voltage limit, and the limit itself. Signed mV throughout.

    `limp_mv`: where next to nothing flows; `end_mv`: the installer's bound for the bank.
    """

    def __init__(self, sign: int, limp_mv: int, end_mv: int, count: int) -> None:
        self.sign = sign
        self.limp_mv = sign * limp_mv
        self.end_mv = sign * end_mv
        self.own_mv = [NO_CAP] * count  # the pack's own limit
        self.moved = True  # an own limit has, or who has arrived, since the last survey
        self.cell_room_mv = [NO_CAP] * count  # pack voltage plus what its extreme cell grants
        self.arrived = bytearray(count)  # yes or no: its extreme cell is near its end
        self.some_arrived = False
        self.stage = Slope()
        self.wish = Slope()
        self.tightest_own_mv = NO_CAP
        self.tightest_cell_mv = NO_CAP
        self.own_pack = -1
        self.cell_pack = -1
        self.unheard_pack = -1  # row of the first that is unheard
        self.some_late = False
        self.limit = Limit(self.limp_mv, VOLTAGE_RULE_COUNT)

    def gap_mv(self, pack: Pack) -> int | None:
        """How far the extreme cell is from its ceiling (or floor); None: unknown."""
        if self.sign > 0:
            cell_mv = pack.cell_max_mv
            return None if cell_mv is None else pack.settings.cell_ceiling_mv - cell_mv
        cell_mv = pack.cell_min_mv
        return None if cell_mv is None else cell_mv - pack.settings.cell_floor_mv

    def enter(self, pack: Pack, own_mv: int | None) -> None:
        """Write the pack's row. `own_mv`: its own limit, unsigned.

        While its voltage or its extreme cell is missing, what they came to last stays in force.
        """
        i = pack.index
        removed = pack.presence == REMOVED
        gap_mv = None if removed else self.gap_mv(pack)
        bound_mv = NO_CAP if removed or own_mv is None else self.sign * own_mv
        arrived = 0 if gap_mv is None or gap_mv > NEAR_END_MV else 1
        if bound_mv != self.own_mv[i] or arrived != self.arrived[i]:
            self.own_mv[i] = bound_mv
            self.arrived[i] = arrived
            self.moved = True
        if removed:
            self.cell_room_mv[i] = NO_CAP
        elif gap_mv is not None and pack.voltage_mv is not None:
            room_mv = self.sign * pack.voltage_mv + CELL_GAIN * gap_mv
            self.cell_room_mv[i] = max(0 if self.sign > 0 else -HIGHEST_MV, room_mv)

    def survey(self) -> None:
        """Find the tightest rows."""
        if self.moved:
            self.moved = False
            self.some_arrived = self.arrived.find(YES) >= 0
            self.tightest_own_mv = min(self.own_mv)
            self.own_pack = self.own_mv.index(self.tightest_own_mv)
        self.tightest_cell_mv = min(self.cell_room_mv)
        self.cell_pack = self.cell_room_mv.index(self.tightest_cell_mv)
