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

    NO_CAP with fewer than two connected packs. Never below 0.
    """
    rows = [i for i in range(len(side.room_ma)) if side.room_ma[i] < NO_CAP]
    if len(rows) < 2:
        return NO_CAP
    learned = side.uses_learned(shares)
    least_ma = NO_CAP
    for lost in rows:
        room_ma = NO_CAP
        for i in rows:
            if i != lost:
                gain = _gain_permille(shares, i, lost) if learned else 1_000
                room_ma = min(room_ma, _stretched(side.room_ma[i], gain))
        least_ma = min(least_ma, side.total_ma - side.flow_ma[lost] + room_ma)
    return max(0, least_ma)


def _gain_permille(shares: Shares, i: int, lost: int) -> int:
    """(1 - s_lost) / s_i from the learned upper bounds, at least 1."""
    left = 1_000 - shares.upper_permille[lost]
    return max(1_000, left * shares.inverse_permille[i] // 1_000)


def _stretched(room_ma: int, gain: int) -> int:
    return room_ma if room_ma < 0 else room_ma // 10 * gain // 100
