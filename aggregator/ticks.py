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


class Clock:
    """The core's own time: follows the caller's `now_ms`, but never runs backwards.

    Reports carry the caller's ticks; `read` maps them onto the core's. Only `advance` (called once
    a step) moves time, so the order of reports between two steps cannot matter. Where the caller's
    counter falls back (a restarted source), the core's time stands still and goes on from there.
    """

    def __init__(self) -> None:
        self.now_ms = 0
        self.fell_ms = 0  # how far the caller's counter fell back in the last `advance`
        self._offset_ms = 0
        self.started = False

    def read(self, raw_ms: int) -> int:
        """Return the core's tick for the caller's `raw_ms`."""
        return (raw_ms + self._offset_ms) & TICK_MASK

    def advance(self, raw_ms: int) -> int:
        """Move on to the caller's `raw_ms`; return how far that is [ms], 0 or more."""
        if not self.started:
            self.started = True
            self.now_ms = raw_ms & TICK_MASK
        gone_ms = since(self.read(raw_ms), self.now_ms)
        self.fell_ms = 0
        if gone_ms < 0:
            self.fell_ms = -gone_ms
            self._offset_ms = (self._offset_ms - gone_ms) & TICK_MASK
            gone_ms = 0
        self.now_ms = (self.now_ms + gone_ms) & TICK_MASK
        return gone_ms
