"""The room left in one direction: how far the total may go, by what the packs carry now.

Extra current splits over the packs by conductance, so pack i gets at most all of it. From any
reading (total I, currents I_i) that was itself safe, `I + min(L_i - I_i)` is therefore a safe
total, whatever the bank is made of. docs/explanation/headroom.md has the proof, what it assumes,
and the five cases that need more; they are the branches here.
"""

from .direction import Direction
from .reference import NO_CAP, YES
from .shares import Shares


def survey(side: Direction, dt_ms: int, bus_ma: int | None, shares: Shares) -> None:
    """Find the room of `side` and its tightest pack, after `dt_ms`.

    `bus_ma`: what a bus meter says, positive: charging; None: there is none, or it is not fresh.
    """
    if side.settle_left_ms:
        side.settle_left_ms = max(0, side.settle_left_ms - dt_ms)
    if side.regrouped:
        side.regrouped = False
        side.path_left_ms = side.bank.path_settle_ms
    elif side.path_left_ms:
        side.path_left_ms = max(0, side.path_left_ms - dt_ms)
    if side.dwell_left_ms:
        side.dwell_left_ms = max(0, side.dwell_left_ms - dt_ms)
    if side.steady.valid:
        side.steady.run_down(dt_ms)
    side.granted_ma = min(side.grant_ma) if side.some_unheard else NO_CAP
    side.unheard = side.grant_ma.index(side.granted_ma) if side.some_unheard else -1
    missing = side.unknown
    metered_ma = bus_ma if missing == 1 and not side.some_unheard else None
    if metered_ma is not None:
        _fill_in(side, side.unknown_pack, metered_ma)
        missing = 0
    side.current_unknown = missing > 0
    if side.moved:
        side.add_up()
    side.total_ma = sum(side.flow_ma)
    room_ma = min(side.room_ma)
    side.tightest = side.room_ma.index(room_ma) if room_ma < NO_CAP else -1
    _keep_steady(side, dt_ms)
    low_ma = min(side.window_low_ma, side.last_low_ma)  # since before any reading that counts
    if metered_ma is not None:
        side.total_ma = low_ma  # a quick meter must not be paired with a slow pack's old reading
    if side.some_unheard or missing:
        side.forget()
    elif low_ma >= -side.quiet_ma and side.quiet_ma >= max(side.window_high_ma, side.last_high_ma):
        side.quiet.take(low_ma, side.room_ma, 1)
    if side.tightest < 0:
        side.headroom_ma = NO_CAP  # no path: a rule of its own
    elif room_ma < 0:
        side.headroom_ma = max(0, _back_off(side, shares))
        side.settle_left_ms = side.bank.settle_ms
    else:
        side.headroom_ma = max(0, _widest(side, room_ma, shares))


def _fill_in(side: Direction, i: int, bus_ma: int) -> None:
    """One pack's current is unknown, but the bus total tells it."""
    side.flow_ma[i] = 0
    flow_ma = side.sign * bus_ma - sum(side.flow_ma)
    side.flow_ma[i] = flow_ma
    if side.limit_ma[i] < NO_CAP:
        side.room_ma[i] = side.limit_ma[i] - flow_ma


def _keep_steady(side: Direction, dt_ms: int) -> None:
    """Remember the currents of each window of time in which the total hardly moved.

    Every reading then belongs to a total of that window, so its lowest total is taken: rooms are
    multiplied below, and a slow board's old reading must not be paired with a new total. Windows
    are at least as long as a reading may be old; they follow the clock, not the readings, so that
    a lost report cannot shift them.
    """
    if side.some_late:
        side.steady.valid = False
        side.disturbed = True
    total_ma = side.total_ma
    if total_ma < side.window_low_ma:
        side.window_low_ma = total_ma
    if total_ma > side.window_high_ma:
        side.window_high_ma = total_ma
    side.window_left_ms -= dt_ms
    if side.window_left_ms > 0:
        return
    bank = side.bank
    if not side.disturbed and side.window_high_ma - side.window_low_ma <= side.coherent_ma:
        side.steady.take(side.window_low_ma, side.room_ma, bank.coherent_keep_ms)
    side.window_left_ms = max(bank.coherent_ms, bank.fresh_ms)
    side.last_low_ma = side.window_low_ma
    side.last_high_ma = side.window_high_ma
    side.window_low_ma = total_ma
    side.window_high_ma = total_ma
    side.disturbed = False


def _widest(side: Direction, room_ma: int, shares: Shares) -> int:
    """The largest total [mA] that one of the good readings shows to be safe.

    Now; when the total flows the other way, the last quiet moment; where loads share the bus or
    shares are learned, the last steady moment, with less than the worst split.
    """
    widest_ma = side.total_ma + room_ma
    if side.total_ma < 0 and side.quiet.counts():
        tenths = 10 if shares.learned else side.way.quiet_tenths
        widest_ma = max(widest_ma, side.quiet.safe_total_ma(1_000) * tenths // 10)
    if (side.widens or side.learns) and side.steady.counts():
        if side.learns and shares.learned:
            widest_ma = max(widest_ma, side.steady.learned_total_ma(shares.upper_permille))
        elif side.widens:
            widest_ma = max(widest_ma, side.steady.safe_total_ma(_assumed_permille(side)))
    return widest_ma


def _assumed_permille(side: Direction) -> int:
    """1/s_max in permille, if no resistance is more than `assumed_resistance_ratio` times another:
    1 + (n - 1)/ratio (algebra in docs/explanation/headroom.md). Rounded down.

    Only packs that carry current both ways count: while it flows the other way, one whose path is
    open there leaves its part to the rest, and the reading may be from then.
    """
    count = side.connected.count(YES)
    return 1_000 + 1_000 * max(0, count - 1) // side.bank.assumed_resistance_ratio


def _back_off(side: Direction, shares: Shares) -> int:
    """A pack is above its L_i: the total [mA] that brings every one of them back.

    The smallest of: the total shrunk in proportion; the total less the excess over the pack's
    share, where that is learned, or seen in the currents since the last quiet moment.
    """
    total_ma = side.total_ma
    back_ma = total_ma
    least_share = shares.least_permille(len(side.limit_ma), side.bank.assumed_resistance_ratio)
    for i in range(len(side.room_ma)):
        room_ma = side.room_ma[i]
        if room_ma >= 0:
            continue
        back_ma = min(back_ma, total_ma + room_ma)
        limit_ma = side.limit_ma[i]
        flow_ma = limit_ma - room_ma
        if total_ma > 0 and flow_ma > 0:
            back_ma = min(back_ma, total_ma // 100 * (limit_ma * 1_000 // flow_ma) // 10)
        share = shares.lower_permille[i] if shares.learned else 0
        if not share and side.quiet.valid:
            share = side.quiet.share_permille(i, total_ma, room_ma, least_share)
        if share:
            back_ma = min(back_ma, total_ma + room_ma * 1_000 // share)
    return back_ma
