"""Time in the core: a millisecond counter that wraps at 2**30.

All comparisons go through `since`, so a wrap is invisible. Differences are right while the two
ticks lie less than 2**29 ms (149 h) apart; that is why durations end at 120 h and why staleness
latches (see presence.py) instead of being recomputed from an old tick.
"""

TICK_MASK = 0x3FFFFFFF
HALF_RANGE = 0x20000000

MS_PER_MINUTE = 60_000


def since(now_ms: int, then_ms: int) -> int:
    """Return the time [ms] from `then_ms` to `now_ms`; negative if `then_ms` is the later one.

    The two-step form allocates nothing on 32-bit boards, where the textbook one-liner does.
    """
    gone_ms = (now_ms - then_ms) & TICK_MASK
    return gone_ms if gone_ms < HALF_RANGE else gone_ms - TICK_MASK - 1
