"""What the rest of the packs could carry if any one of them opened.

When pack k opens, its current moves to the others: the total they carry now is `I - I_k`, and of
anything more pack i takes at most `s_i / (1 - s_k)`. With nothing learned that is at most all of
it. Source: superposition in a linear network, docs/explanation/headroom.md.
"""

from .direction import Direction
from .reference import NO_CAP
from .shares import Shares


def carried_after_loss_ma(side: Direction, shares: Shares) -> int:
    """Return the largest total [mA] that the rest could carry, whichever pack opened.

    NO_CAP with fewer than two connected packs. Never below 0. Rounded down.
    """
    learned = side.learns and shares.learned
    tightest = -1
    least_ma = NO_CAP  # least (L_i - I_i) / s_i, and the least but for that pack
    next_ma = NO_CAP
    for i in range(len(side.room_ma)):
        room_ma = side.room_ma[i]
        if room_ma >= NO_CAP:
            continue
        if learned and room_ma > 0:
            room_ma = room_ma // 10 * (1_000_000 // shares.upper_permille[i]) // 100
        if room_ma < least_ma:
            next_ma = least_ma
            least_ma = room_ma
            tightest = i
        elif room_ma < next_ma:
            next_ma = room_ma
    if next_ma >= NO_CAP:
        return NO_CAP
    carried_ma = NO_CAP
    for lost in range(len(side.room_ma)):
        if side.room_ma[lost] >= NO_CAP:
            continue
        room_ma = next_ma if lost == tightest else least_ma
        if learned and room_ma > 0:
            room_ma = room_ma // 1_000 * (1_000 - shares.upper_permille[lost])
        carried_ma = min(carried_ma, side.total_ma - side.flow_ma[lost] + room_ma)
    return max(0, carried_ma)
