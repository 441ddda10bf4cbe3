"""One direction of current, charge or discharge: what each pack may take, and the room left.

Both directions are the same mathematics seen from two sides, so everything here counts current
as positive when it flows in this direction. Each pack writes its row of the columns once, when a
report comes in (`enter`); a step then needs only sums and minima over columns (headroom.py). A pack
that does not count holds the neutral element: 0 in a sum, NO_CAP in a minimum.
"""

from .derate import cell_permille, reliable_ma, temperature_permille
from .drift import kept_back_ma
from .pack import LATE, LIVE, REMOVED, UNHEARD, Pack
from .ramp import Limit
from .reference import NO_CAP, YES, Reference
from .settings import BankSettings, PackSettings

CURRENT_RULE_COUNT = 17  # rows of rules.CURRENT_RULES


class Charge:
    """What is peculiar to the way into the packs."""

    name = "charge"
    sign = 1
    quiet_tenths = 10  # how much of a quiet reading's total counts before shares are learned

    def ceiling_ma(self, settings: BankSettings | PackSettings) -> int | None:
        return settings.charge_current_ceiling_ma

    def grant_ma(self, settings: PackSettings) -> int:
        return settings.unheard_charge_current_ma

    def by_temperature_permille(self, pack: Pack) -> int:
        """Return what temperature leaves of a pack's limit."""
        curve = pack.settings.charge_temperature_curve
        return temperature_permille(curve, pack.cold_decic, pack.hot_decic)

    def by_cell_permille(self, pack: Pack) -> int:
        """Return what the extreme cell leaves of a pack's limit."""
        return cell_permille(pack.settings.charge_cell_curve, pack.cell_max_mv)

    def widens(self, bank: BankSettings) -> bool:
        """May steady readings use less than the worst split of extra current, unlearned?"""
        return bank.charger_limits == "output"

    def learns(self, bank: BankSettings) -> bool:
        """May learned shares be used?"""
        return bank.charge_sharing == "learned" or bank.charger_limits == "output"


class Discharge:
    """What is peculiar to the way out. Loads step without asking, so the limit must be open
    beforehand."""

    name = "discharge"
    sign = -1
    quiet_tenths = 7

    def ceiling_ma(self, settings: BankSettings | PackSettings) -> int | None:
        return settings.discharge_current_ceiling_ma

    def grant_ma(self, settings: PackSettings) -> int:
        return settings.unheard_discharge_current_ma

    def by_temperature_permille(self, pack: Pack) -> int:
        curve = pack.settings.discharge_temperature_curve
        return temperature_permille(curve, pack.cold_decic, pack.hot_decic)

    def by_cell_permille(self, pack: Pack) -> int:
        return cell_permille(pack.settings.discharge_cell_curve, pack.cell_min_mv)

    def widens(self, bank: BankSettings) -> bool:
        return True

    def learns(self, bank: BankSettings) -> bool:
        return bank.discharge_sharing == "learned"


class Direction:
    """The columns of one direction, and what the last `survey` found in them (all mA >= 0)."""

    def __init__(self, way: Charge | Discharge, bank: BankSettings, scale_ma: int) -> None:
        count = len(bank.packs)
        self.bank = bank
        self.way = way
        self.sign = way.sign
        ceiling_ma = way.ceiling_ma(bank)
        self.ceiling_ma = NO_CAP if ceiling_ma is None else ceiling_ma  # of the whole bank
        self.widens = way.widens(bank)
        self.learns = way.learns(bank)
        # The size of the bank decides what counts as no total, and as steady.
        self.quiet_ma = scale_ma // 1_000 * bank.quiet_permille
        self.coherent_ma = scale_ma // 1_000 * bank.coherent_permille
        # Columns: one element a pack.
        self.own_ma: list[int | None] = [None] * count  # the pack's own limit, as it says
        self.says_no = bytearray(count)  # 1: the pack says that current may not flow this way
        self.closed: list[bool | None] = [None] * count
        # Yes-or-no columns, see reference.py.
        self.open = bytearray(count)  # no current can flow in this direction
        self.carries = bytearray(count)  # heard, with a path: it shares the current
        self.connected = bytearray(count)  # heard, with a path both ways
        self.flow_ma = [0] * count  # its current, as far as it counts
        self.limit_ma = [NO_CAP] * count  # L_i, what it may take
        self.room_ma = [NO_CAP] * count  # L_i - I_i
        self.contribution_ma = [0] * count
        self.grant_ma = [NO_CAP] * count  # what the bank may do while this pack is unheard
        self.refusing = bytearray(count)  # refuses, and is connected
        self.ramp_ma = [0] * count  # its ceiling, or else its own limit: what ramps are made of
        # References: readings from earlier that are still good.
        self.quiet = Reference(count)  # the last moment without a total
        self.steady = Reference(count)  # the last moment when the total stood still
        # The window under way, for `steady`.
        self.window_left_ms = max(bank.coherent_ms, bank.fresh_ms)
        self.window_low_ma = 0
        self.last_low_ma = 0  # of the window before
        self.last_high_ma = 0
        self.window_high_ma = 0
        self.regrouped = False  # since the last step
        self.moved = True  # a row has, by more than its current, since the last `add_up`
        self.disturbed = True  # packs came, went, were late or changed how they share
        # Timers, running down.
        self.settle_left_ms = 0  # a pack was above its limit
        self.path_left_ms = 0  # a path opened or closed
        self.dwell_left_ms = 0  # a denial was in force
        # What the survey found.
        self.total_ma = 0
        self.contributions_ma = 0
        self.ramps_ma = 0  # sum of ramp_ma
        self.granted_ma = NO_CAP
        self.headroom_ma = NO_CAP
        self.loss_ma = NO_CAP  # what the rest could carry if any one pack opened
        self.current_unknown = False
        self.refuser = -1  # row of the first pack that refuses while connected
        self.tightest = -1  # row of the pack with the least room
        self.unheard = -1  # row of the pack with the least grant
        self.some_late = False
        self.some_unheard = True
        self.unknown = 0  # how many packs are heard, but do not say their current
        self.unknown_pack = -1  # row of the first of them
        self.local_refusal = False
        # What the owner wishes.
        self.wish_ma = NO_CAP
        self.wish_stop = False
        self.wish_soc = False  # a state-of-charge wish stops this direction now
        # The limit (limits.py fills these).
        self.limit = Limit(0, CURRENT_RULE_COUNT)
        self.peak_ma = 0  # the highest limit of this period, and of the one before
        self.last_peak_ma = 0
        self.peak_left_ms = 0
        self.denied = True

    # Entering a pack's row.

    def hear(self, i: int, own_ma: int | None, allowed: bool | None, closed: bool | None) -> None:
        """Note what pack `i` says about this direction; `enter` must follow.

        A permission that is missing leaves the last word in force.
        """
        self.own_ma[i] = own_ma
        if allowed is not None:
            self.says_no[i] = 0 if allowed else 1
        self.closed[i] = closed

    def enter(self, pack: Pack, taken_ma: int = 0) -> None:
        """Write the pack's row of the columns, from its last reading and its presence.

        `taken_ma`: what its current is taking over from the others, 0 or more; see drift.py.
        """
        i = pack.index
        connected = pack.presence == LIVE or pack.presence == LATE
        flow_ma = 0 if pack.current_ma is None else self.sign * pack.current_ma
        is_open = self._is_open(pack, flow_ma)
        self.open[i] = 1 if is_open else 0
        most_ma = self.most_ma(pack)
        usable_ma = self.usable_ma(pack, most_ma)
        limit_ma = usable_ma
        if taken_ma > 0:
            limit_ma -= kept_back_ma(taken_ma, usable_ma, self.bank.margin_permille)
        refuses = self.says_no[i] == 1 and not is_open
        refusing = 1 if connected and refuses else 0
        counts = connected and not is_open
        binds = counts or (pack.presence == UNHEARD and not is_open)
        flow_ma = flow_ma if connected else min(0, flow_ma)
        if self.carries[i] != (1 if counts else 0):
            # A path opened or closed, or a pack came or went: who shares with whom has changed.
            self.carries[i] = 1 if counts else 0
            self.regrouped = True
            self.forget()
        self.flow_ma[i] = flow_ma
        self._bind(i, limit_ma if binds else NO_CAP)
        self.room_ma[i] = limit_ma - flow_ma if binds else NO_CAP
        adds = counts and not refuses and not pack.withheld
        contribution_ma = usable_ma if adds else 0
        self.grant_ma[i] = NO_CAP
        if pack.presence == UNHEARD:
            # Silent while it refuses, while above its limit, or without telling its current, which
            # the bank stood still for: nothing is granted, or silence would allow more than words.
            told_ma = pack.current_ma
            no = refuses or told_ma is None or self.sign * told_ma > limit_ma
            self.grant_ma[i] = 0 if no else min(limit_ma, self.way.grant_ma(pack.settings))
        elif pack.presence == REMOVED:
            self.flow_ma[i] = 0
            most_ma = 0
        if (
            contribution_ma != self.contribution_ma[i]
            or refusing != self.refusing[i]
            or most_ma != self.ramp_ma[i]
        ):
            self.contribution_ma[i] = contribution_ma
            self.refusing[i] = refusing
            self.ramp_ma[i] = most_ma
            self.moved = True

    def add_up(self) -> None:
        """Work out anew what changes only when a row has moved."""
        self.moved = False
        self.refuser = self.refusing.find(YES)
        self.contributions_ma = sum(self.contribution_ma)
        self.ramps_ma = sum(self.ramp_ma)

    def _bind(self, i: int, limit_ma: int) -> None:
        """Set L_i of row `i`, NO_CAP: none; the rooms of earlier readings move with it."""
        grown_ma = limit_ma - self.limit_ma[i]
        if grown_ma:
            self.limit_ma[i] = limit_ma
            self.quiet.room_ma[i] += grown_ma
            self.steady.room_ma[i] += grown_ma

    def most_ma(self, pack: Pack) -> int:
        """Return the pack's ceiling [mA], or else its own limit; nothing known: 0."""
        ceiling_ma = self.way.ceiling_ma(pack.settings)
        own_ma = self.own_ma[pack.index]
        return ceiling_ma if ceiling_ma is not None else own_ma or 0

    def usable_ma(self, pack: Pack, most_ma: int) -> int:
        """Return L_i [mA], what the pack may take now. An unknown own limit is 0."""
        own_ma = min(self.own_ma[pack.index] or 0, most_ma)
        left_ma = reliable_ma(own_ma, pack.settings, self.bank.margin_permille)
        left_ma = left_ma * self.way.by_temperature_permille(pack) // 1_000
        return left_ma * self.way.by_cell_permille(pack) // 1_000

    def _is_open(self, pack: Pack, flow_ma: int) -> bool:
        """Is the pack's path open? Its word beats the setting; the setting needs a still current."""
        closed = self.closed[pack.index]
        if closed is not None:
            return not closed
        return (
            self.says_no[pack.index] == 1
            and pack.settings.opens_path_on_refusal
            and pack.current_ma is not None
            and flow_ma <= self.bank.zero_current_ma
        )

    def forget(self) -> None:
        """Drop the readings from earlier: packs came, went, or changed how they share."""
        self.quiet.valid = False
        self.disturb()

    def disturb(self) -> None:
        """Drop the steady reading, and let the window under way give none."""
        self.steady.valid = False
        self.disturbed = True
