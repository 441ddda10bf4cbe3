"""What the rest of the packs could carry if any one of them opened.

When pack k opens, its current moves to the others: the total they carry now is `I - I_k`, and of
anything more pack i takes at most `s_i / (1 - s_k)`. With nothing learned that is at most all of
it; less is counted on only from the steady reading, whose currents belong together.
Source: superposition in a linear network, docs/explanation/headroom.md.
"""

from .direction import Direction
from .reference import NO_CAP
from .shares import Shares


def carried_after_loss_ma(side: Direction, shares: Shares) -> int:
    """Return the largest total [mA] that the rest could carry, whichever pack opened.

    NO_CAP with fewer than two connected packs. Never below 0. Rounded down.
    """
    carried_ma = _carried_ma(side.total_ma, side.room_ma, side.limit_ma, None)
    steady = side.steady
    if side.learns and shares.learned and steady.counts():
        upper = shares.upper_permille
        stretched_ma = _carried_ma(steady.total_ma, steady.room_ma, side.limit_ma, upper)
        carried_ma = max(carried_ma, stretched_ma)
    return carried_ma


def _carried_ma(
    total_ma: int, rooms_ma: list[int], limits_ma: list[int], upper: list[int] | None
) -> int:
    """Return the same by one reading. `upper`: the most that each share can be; None: all of it."""
    tightest = -1
    least_ma = NO_CAP  # least (L_i - I_i) / s_i, and the least but for that pack
    next_ma = NO_CAP
    for i in range(len(rooms_ma)):
        room_ma = rooms_ma[i]
        if room_ma >= NO_CAP:
            continue
        if upper is not None and room_ma > 0:
            # Below NO_CAP: however small its share, a pack with a path binds.
            room_ma = min(NO_CAP - 1, room_ma // 10 * (1_000_000 // upper[i]) // 100)
        if room_ma < least_ma:
            next_ma = least_ma
            least_ma = room_ma
            tightest = i
        elif room_ma < next_ma:
            next_ma = room_ma
    if next_ma >= NO_CAP:
        return NO_CAP
    carried_ma = NO_CAP
    for lost in range(len(rooms_ma)):
        if rooms_ma[lost] >= NO_CAP:
            continue
        room_ma = next_ma if lost == tightest else least_ma
        if upper is not None and room_ma > 0:
            room_ma = room_ma // 1_000 * (1_000 - upper[lost])
        flow_ma = limits_ma[lost] - rooms_ma[lost]
        carried_ma = min(carried_ma, total_ma - flow_ma + room_ma)
    return max(0, carried_ma)
