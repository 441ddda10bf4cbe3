"""The parts of a running bank, side by side, and how a pack's news reaches each of them."""

from .direction import Charge, Direction, Discharge
from .drift import Drift
from .merge import HOLDS, MUTE, UNTOLD, Merge
from .pack import LATE, LIVE, REMOVED, Pack
from .presence import doubt, heard, note_move, watch
from .reference import NO_CAP
from .report import BusReport, PackReport
from .requests import Wishes
from .settings import BankSettings, PackSettings
from .shares import TOP_CELL_MV, Shares
from .stages import Stages
from .ticks import TICK_MASK, Clock, since
from .view import SystemView
from .voltage import VoltageSide

TYPICAL_PACK_MA = 50_000  # the size of a pack of which the settings say nothing


class Bank:
    """Everything that a step reads and writes. Rows are packs, in the order of their names, so
    that the order of the settings cannot matter."""

    def __init__(self, settings: BankSettings) -> None:
        self.settings = settings
        self.packs: list[Pack] = []
        for pack_settings in sorted(settings.packs, key=lambda one: one.pack):
            self.packs.append(Pack(len(self.packs), pack_settings))
        self.names = [pack.settings.pack for pack in self.packs]
        count = len(self.packs)
        self.clock = Clock()
        self.merge = Merge(count)
        self.view = SystemView(self.names)
        scale_ma = sum([_size_ma(pack) for pack in settings.packs])
        self.charge = Direction(Charge(), settings, scale_ma)
        self.discharge = Direction(Discharge(), settings, scale_ma)
        self.charge_voltage = VoltageSide(
            1, settings.limp_voltage_mv, settings.charge_voltage_ceiling_mv, count
        )
        self.discharge_voltage = VoltageSide(
            -1, settings.limp_low_voltage_mv, settings.discharge_voltage_floor_mv, count
        )
        self.currents: tuple[Direction, ...] = (self.charge, self.discharge)
        self.connected = self.charge.connected  # 1: shares are learned over this set
        self.discharge.connected = self.connected
        self.voltages: tuple[VoltageSide, ...] = (self.charge_voltage, self.discharge_voltage)
        # The packs' own voltage limits, charge and discharge: the last that each has said.
        self.own_mv: tuple[list[int | None], ...] = ([None] * count, [None] * count)
        self.shares = Shares(count)
        self.drift = Drift(count)
        self.stages = Stages(settings)
        self.wishes = Wishes()
        self.top_permille: int | None = None  # the state-of-charge window that was last judged
        self.reserve_permille = 0
        self.stirs = 0  # steps in which some pack's current moved
        self.stirred = False
        self.look_left_ms = 0  # until some pack must be looked at for silence
        self.bus_sample: int | None = None
        self.bus_ma: int | None = None
        self.bus_taken_ms = 0
        self.bus_silent = True  # nothing fresh was heard of the meter
        for pack in self.packs:
            self.enter(pack)

    def find(self, name: object) -> Pack | None:
        """Return the pack of that name; None: there is none. A dict would cost a board more."""
        for pack in self.packs:
            if pack.settings.pack == name:
                return pack
        return None

    def hear(self, pack: Pack, report: PackReport, now_ms: int) -> None:
        """Take a checked report that is news, at the core's `now_ms`, into every column."""
        i = pack.index
        if pack.presence == REMOVED:
            self._forget_words(i)
        moved = pack.take(report)
        if pack.stirs(self.settings.zero_current_ma):
            self.stirred = True
        taken_ms = (now_ms - (report.age_ms or 0)) & TICK_MASK
        ahead_ms = since(taken_ms, self.clock.now_ms)
        if report.age_ms or not 0 <= ahead_ms <= 2 * self.settings.nominal_step_ms:
            self.look_left_ms = 0  # older, or further ahead, than any step so far could expect
        heard(pack, taken_ms, now_ms, moved, self.settings)
        if moved:
            note_move(pack, now_ms, self.stirs)
        self.charge.hear(
            i,
            report.charge_current_limit_ma,
            report.charge_allowed,
            report.charge_path_closed,
        )
        self.discharge.hear(
            i,
            report.discharge_current_limit_ma,
            report.discharge_allowed,
            report.discharge_path_closed,
        )
        self.merge.hear(i, report)
        if report.charge_voltage_limit_mv is not None:
            self.own_mv[0][i] = report.charge_voltage_limit_mv
        if report.discharge_voltage_limit_mv is not None:
            self.own_mv[1][i] = report.discharge_voltage_limit_mv
        self.enter(pack)
        if pack.current_ma is not None:
            self.shares.hear(i, pack.current_ma)
        if pack.cell_max_mv is not None and pack.cell_max_mv > TOP_CELL_MV:
            self.shares.spoil()

    def _forget_words(self, i: int) -> None:
        """Drop what stands until it is said anew: a pack that was away may have another board."""
        for side in self.currents:
            side.says_no[i] = 0
        for own_mv in self.own_mv:
            own_mv[i] = None

    def enter(self, pack: Pack) -> None:
        """Write the pack's row everywhere: its reading, its presence or a wish has changed."""
        i = pack.index
        self.merge.enter(pack)
        self.charge.enter(pack, self.drift.taken_ma[i])
        self.discharge.enter(pack)
        self.charge_voltage.enter(pack, self.own_mv[0][i])
        self.discharge_voltage.enter(pack, self.own_mv[1][i])
        heard = pack.presence == LIVE or pack.presence == LATE
        connected = heard and not self.charge.open[i] and not self.discharge.open[i]
        if self.connected[i] != (1 if connected else 0):
            self.shares.put_away(self.connected)
            self.connected[i] = 1 if connected else 0
            self.charge.disturb()
            self.discharge.disturb()

    def hear_bus(self, report: BusReport, now_ms: int) -> None:
        """Take a checked reading of the bus meter, if it is news. One that was silent may have
        restarted its count."""
        ahead = 1 if self.bus_sample is None else (report.sample - self.bus_sample) & 0xFFFF
        if 0 < ahead < 0x8000 or (self.bus_silent and ahead != 0):
            self.bus_silent = False
            self.bus_sample = report.sample
            self.bus_ma = report.current_ma
            if report.current_ma is not None:
                self.shares.hear_bus(report.current_ma)
            self.bus_taken_ms = (now_ms - (report.age_ms or 0)) & TICK_MASK

    def look(self, dt_ms: int) -> None:
        """Look for silence, when the next pack is due."""
        self.stirs += 1 if self.stirred else 0
        self.stirred = False
        self.look_left_ms -= dt_ms
        if self.clock.fell_ms > self.settings.fresh_ms:
            self.clock.fell_ms = 0
            for pack in self.packs:
                doubt(pack)
                self.enter(pack)
        if self.look_left_ms > 0:
            return
        self.look_left_ms = self.settings.fresh_ms
        for pack in self.packs:
            presence, silence = pack.presence, pack.silence
            still = bool(self.charge.open[pack.index] or self.discharge.open[pack.index])
            left_ms = watch(pack, self.clock.now_ms, self.stirs, still, self.settings)
            self.look_left_ms = min(self.look_left_ms, left_ms)
            if pack.presence != presence or pack.silence != silence:
                self.enter(pack)

    def look_ahead(self, dt_ms: int) -> None:
        """Look where the split of the charge current is moving. Loads do not wait for a limit, so
        looking ahead would only make that of discharge swing."""
        if self.drift.run(dt_ms, self.packs):
            self.charge.steady.follow(self.drift.taken_ma)
            for pack in self.packs:
                if self.drift.changed[pack.index]:
                    self.charge.enter(pack, self.drift.taken_ma[pack.index])

    def note_presence(self) -> None:
        """Tell every limit whether some pack is late, or unheard, or does not say its current."""
        merge = self.merge
        if not merge.who_moved:
            return
        merge.count_all()
        late = merge.first(HOLDS) >= 0
        unheard_pack = merge.first(MUTE)
        unknown_pack = merge.first(UNTOLD)
        for side in self.currents:
            side.some_late = late
            side.some_unheard = unheard_pack >= 0
            side.unknown = merge.unknown_count
            side.unknown_pack = unknown_pack
        for voltage in self.voltages:
            voltage.some_late = late
            voltage.unheard_pack = unheard_pack

    def somebody_speaks(self) -> bool:
        """Is any pack live or late?"""
        for pack in self.packs:
            if pack.presence == LIVE or pack.presence == LATE:
                return True
        return False

    def step_stages(self, dt_ms: int) -> None:
        """Show the stages the bank, as the last step's limits left it, and let them move on."""
        side = self.charge_voltage
        side.survey()
        self.discharge_voltage.survey()
        facts = self.stages.facts
        facts.voltage_mv = self.view.voltage_mv
        facts.current_ma = self.view.current_ma
        facts.soc_permille = self.view.soc_permille
        facts.cell_arrived = side.some_arrived
        facts.tails_small = self.stages.held and self.tails_small()
        facts.idle_ma = self.settings.zero_current_ma
        # Of a denial in force nobody knows when it ends.
        facts.dwell_left_ms = 0 if self.charge.denied else self.charge.dwell_left_ms
        facts.denied = self.charge.denied or self.charge.dwell_left_ms > 0
        wish_mv = NO_CAP if self.wishes.charge_mv is None else self.wishes.charge_mv
        facts.target_cap_mv = min(side.tightest_own_mv, side.end_mv, wish_mv)
        self.stages.step(dt_ms)
        slope = self.settings.voltage_slope_mv_per_s
        target_mv = self.stages.target_mv()
        side.stage.follow(target_mv, target_mv, slope, dt_ms)
        side.wish.follow(self.wishes.charge_mv, side.limit.value, slope, dt_ms)

    def own_pack_refuses(self, side: Direction) -> bool:
        """Does a pack wired to this very board refuse?"""
        for name in self.settings.own_packs:
            pack = self.find(name)
            if pack is None or pack.presence == REMOVED:
                continue
            if side.says_no[pack.index] == 1:
                return True
        return False

    def fresh_bus_ma(self) -> int | None:
        """What the bus meter says, while that is fresh. Staleness latches."""
        if self.bus_silent:
            return None
        age_ms = since(self.clock.now_ms, self.bus_taken_ms)
        if -self.settings.fresh_ms <= age_ms < 0:
            self.bus_taken_ms = self.clock.now_ms
        elif not 0 <= age_ms <= self.settings.fresh_ms:
            self.bus_silent = True
            self.bus_ma = None
        return self.bus_ma

    def tails_small(self) -> bool:
        """Is every connected pack's current within its own tail, with only the battery limiting?

        Our own limit must leave twice the tails free, or it could be what limits. A pack that is
        late or unheard, or whose capacity nobody knows, has not shown a tail.
        """
        rate = self.stages.in_force.tail_rate_permille
        tails_ma = 0
        for pack in self.packs:
            i = pack.index
            if self.merge.who[i] & (MUTE | HOLDS):
                return False
            if pack.presence != LIVE or self.charge.open[i]:
                continue
            if pack.capacity_mah is None or pack.current_ma is None:
                return False
            tail_ma = pack.capacity_mah * rate // 1_000
            tails_ma += tail_ma
            if not -tail_ma <= pack.current_ma <= tail_ma:
                return False
        return self.charge.limit.value >= 2 * tails_ma > 0

    def apply_wishes(self) -> None:
        """Bring the owner's wishes to where they bind, after one came, went or ran out."""
        wishes = self.wishes
        self.charge.wish_ma = wishes.charge_ma
        self.charge.wish_stop = wishes.stop_charge
        self.discharge.wish_ma = wishes.discharge_ma
        self.discharge.wish_stop = wishes.stop_discharge
        for pack in self.packs:
            withheld = wishes.withheld(pack.settings.pack)
            if withheld != pack.withheld:
                pack.withheld = withheld
                self.enter(pack)
        if wishes.top_permille != self.top_permille:
            self.top_permille = wishes.top_permille
            self.charge.wish_soc = False
        if wishes.reserve_permille != self.reserve_permille:
            self.reserve_permille = wishes.reserve_permille
            self.discharge.wish_soc = False


def _size_ma(settings: PackSettings) -> int:
    """The size of a pack, from settings alone: its ceiling, or the half-hour rate... of nothing
    known, a typical pack. Only for what counts as "small" and "steady"."""
    if settings.charge_current_ceiling_ma is not None:
        return settings.charge_current_ceiling_ma
    if settings.capacity_mah is not None:
        return settings.capacity_mah // 2
    return TYPICAL_PACK_MA
