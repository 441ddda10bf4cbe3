"""Things worth a look: the weak pack, the charger that does not listen, the counter that drifted.

A finding is shown when its condition has lasted for its hold time, and goes when it ends. Steps
take turns: one of the bank's conditions each, then one pack each, with all its conditions. A
finding never changes a limit.
"""

from .bank import Bank
from .cycle import ABSORPTION, BULK, FLOAT
from .direction import Direction
from .loss import carried_after_loss_ma
from .pack import LATE, LIVE, Pack
from .presence import is_frozen
from .reference import NO_CAP
from .ticks import since
from .view import Finding

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
FULL_SOC_PERMILLE = 950  # a pack that is full should say at least this (common practice)


def _over(side: Direction) -> bool:
    """Is the total above every limit of the last seconds, by more than sensors explain?

    Those of the last seconds, because chargers hear late and move slowly.
    """
    limit_ma = max(side.limit.value, side.peak_ma, side.last_peak_ma)
    return side.total_ma > limit_ma + max(side.bank.zero_current_ma, limit_ma // 20)


def pack_loss_overloads_rest(bank: Bank) -> bool:
    """If one pack opened now, the others could not carry the total."""
    for side in bank.currents:
        if side.total_ma > 0 and side.total_ma > carried_after_loss_ma(side, bank.shares):
            return True
    return False


def charger_ignores_limit(bank: Bank) -> bool:
    """The charge current stays above the limit: a charger does not listen."""
    return _over(bank.charge)


def load_above_limit(bank: Bank) -> bool:
    """The loads draw more than the discharge limit: shed load."""
    return _over(bank.discharge)


def cell_blocks_absorption(bank: Bank) -> bool:
    """One high cell has arrived at its ceiling before the bank reached its target."""
    stages = bank.stages
    waiting = stages.stage == BULK or stages.stage == ABSORPTION
    return waiting and stages.facts.cell_arrived and stages.reached_ms == 0


def headroom_stalls(bank: Bank) -> bool:
    """In bulk, nothing flows and the room alone holds the limit: loads on the bus use it up. If the
    chargers limit their own output, set charger_limits = output."""
    side = bank.charge
    still = -side.bank.zero_current_ma <= side.total_ma <= side.bank.zero_current_ma
    held = 0 < side.limit.value == side.headroom_ma < side.contributions_ma
    told = side.bank.charger_limits == "battery"
    return told and still and held and bank.stages.stage == BULK


def share_implausible(bank: Bank) -> bool:
    """The learned shares could not be: a sensor with the wrong sign or scale."""
    return bank.shares.implausible


def shares_not_learned(bank: Bank) -> bool:
    """The currents never moved enough, or readings are missing: shares are still unknown."""
    return not bank.shares.learned


def pack_over_own_limit(bank: Bank, pack: Pack) -> bool:
    """The pack's current is above its own limit."""
    for side in bank.currents:
        own_ma = side.own_ma[pack.index]
        if own_ma is not None and side.flow_ma[pack.index] > own_ma + bank.settings.zero_current_ma:
            return True
    return False


def current_into_refusing_pack(bank: Bank, pack: Pack) -> bool:
    """The pack refuses, or says that its path is open, and yet current flows."""
    for side in bank.currents:
        i = pack.index
        refuses = side.says_no[i] == 1 or side.closed[i] is False
        if refuses and side.flow_ma[i] > bank.settings.zero_current_ma:
            return True
    return False


def idle_circulation_above_limit(bank: Bank, pack: Pack) -> bool:
    """With next to no total, packs drive more current through this one than it may take."""
    if not -bank.charge.quiet_ma <= bank.charge.total_ma <= bank.charge.quiet_ma:
        return False
    for side in bank.currents:
        if side.limit_ma[pack.index] < NO_CAP and side.room_ma[pack.index] < 0:
            return side.flow_ma[pack.index] > bank.settings.zero_current_ma
    return False


def readings_frozen(bank: Bank, pack: Pack) -> bool:
    """The pack's readings stand still while other packs' current moves."""
    return is_frozen(pack)


def refusal_path_unknown(bank: Bank, pack: Pack) -> bool:
    """The pack refuses and does not say whether its path is open, so the whole bank must stop.

    If its maker says that the path opens on refusal, set opens_path_on_refusal for this pack.
    """
    for side in bank.currents:
        if side.refusing[pack.index] and side.closed[pack.index] is None:
            return not pack.settings.opens_path_on_refusal
    return False


def soc_disagrees_with_full(bank: Bank, pack: Pack) -> bool:
    """The bank is full and the pack takes no more, but its own counter says it is not full."""
    soc = pack.soc_permille
    if soc is None or soc >= FULL_SOC_PERMILLE or bank.charge.open[pack.index]:
        return False
    if bank.stages.stage != FLOAT or bank.stages.elapsed_ms > HOUR_MS:
        return False
    tail_ma = (pack.capacity_mah or 0) * bank.stages.in_force.tail_rate_permille // 1_000
    flow_ma = bank.charge.flow_ma[pack.index]
    return bank.stages.why != "absorption_longest" and -tail_ma <= flow_ma <= tail_ma


# name, condition, how long it must last [ms]
BANK_FINDINGS = (
    ("pack_loss_overloads_rest", pack_loss_overloads_rest, 30_000),
    ("charger_ignores_limit", charger_ignores_limit, 30_000),
    ("load_above_limit", load_above_limit, 10_000),
    ("cell_blocks_absorption", cell_blocks_absorption, 60_000),
    ("headroom_stalls", headroom_stalls, 600_000),
    ("share_implausible", share_implausible, 0),
    ("shares_not_learned", shares_not_learned, DAY_MS),
)
PACK_FINDINGS = (
    ("pack_over_own_limit", pack_over_own_limit, 10_000),
    ("current_into_refusing_pack", current_into_refusing_pack, 10_000),
    ("idle_circulation_above_limit", idle_circulation_above_limit, 30_000),
    ("readings_frozen", readings_frozen, 0),
    ("refusal_path_unknown", refusal_path_unknown, 0),
    ("soc_disagrees_with_full", soc_disagrees_with_full, 60_000),
)
ABSENT = -1  # a condition that does not hold has no age


class Findings:
    """How long each condition has lasted, and the list of those shown."""

    def __init__(self, count: int) -> None:
        self.bank_ms = [ABSENT] * len(BANK_FINDINGS)
        self.pack_ms = [ABSENT] * (len(PACK_FINDINGS) * count)
        self.turn = 0
        self.started_ms = 0  # when this round of turns began
        self.round_ms = 0  # how long the last one took: a condition ages by that from turn to turn
        self.shown: list[Finding] = []

    def step(self, bank: Bank) -> None:
        """Look at the condition, or the pack, whose turn it is."""
        turn = self.turn
        if turn == 0:
            now_ms = bank.clock.now_ms
            self.round_ms = max(0, since(now_ms, self.started_ms))
            self.started_ms = now_ms
        gone_ms = self.round_ms
        self.turn = (turn + 1) % (len(BANK_FINDINGS) + len(bank.packs))
        if turn < len(BANK_FINDINGS):
            _, condition, hold_ms = BANK_FINDINGS[turn]
            changed = _age(self.bank_ms, turn, condition(bank), hold_ms, gone_ms)
        else:
            changed = self._look_at(bank, bank.packs[turn - len(BANK_FINDINGS)], gone_ms)
        if changed:
            self._list(bank.packs)

    def _look_at(self, bank: Bank, pack: Pack, gone_ms: int) -> bool:
        changed = False
        heard = pack.presence == LIVE or pack.presence == LATE or is_frozen(pack)
        place = pack.index * len(PACK_FINDINGS)
        for _, condition, hold_ms in PACK_FINDINGS:
            holds = heard and condition(bank, pack)
            if holds or self.pack_ms[place] != ABSENT:
                changed = _age(self.pack_ms, place, holds, hold_ms, gone_ms) or changed
            place += 1
        return changed

    def _list(self, packs: list[Pack]) -> None:
        self.shown = []
        for row in range(len(BANK_FINDINGS)):
            name, _, hold_ms = BANK_FINDINGS[row]
            if self.bank_ms[row] >= hold_ms:
                self.shown.append(Finding(name, None))
        for pack in packs:
            for row in range(len(PACK_FINDINGS)):
                name, _, hold_ms = PACK_FINDINGS[row]
                if self.pack_ms[pack.index * len(PACK_FINDINGS) + row] >= hold_ms:
                    self.shown.append(Finding(name, pack.settings.pack))


def _age(ages_ms: list[int], place: int, holds: bool, hold_ms: int, dt_ms: int) -> bool:
    """Let one condition age; return whether it began or ceased to be shown."""
    before_ms = ages_ms[place]
    if not holds:
        ages_ms[place] = ABSENT
        return before_ms >= hold_ms
    after_ms = 0 if before_ms == ABSENT else min(before_ms + dt_ms, DAY_MS)
    ages_ms[place] = after_ms
    return before_ms < hold_ms <= after_ms
