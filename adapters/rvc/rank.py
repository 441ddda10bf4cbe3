"""Which source speaks for a DC instance (RV-C-2023, 6.5.1). Board-safe.

The one with the highest priority; among equals the one with the higher address. The standard gives
no time after which another may take over; ours is TAKE_OVER_MS: longer than the longest gap that it
allows between two frames (5 s).
"""

from aggregator.ticks import since

LISTEN_MS = 2_000  # before the first word
TAKE_OVER_MS = 6_000


def outranks(priority: int, source: int, other_priority: int, other_source: int) -> bool:
    """Does a source go before another?"""
    if priority != other_priority:
        return priority > other_priority
    return source > other_source


def published(raw: int) -> int:
    """Return the priority that byte 1 says; no data is the lowest."""
    return raw if raw <= 252 else 0


class Rivals:
    """Others that speak for our instance: may we?"""

    __slots__ = ("heard_ms", "opened_ms", "source")

    def __init__(self) -> None:
        self.opened_ms: int | None = None
        self.heard_ms: int | None = None  # when one that goes before us spoke last
        self.source = 0  # its address

    def opened(self, now_ms: int) -> None:
        """Start to listen."""
        self.opened_ms = now_ms
        self.heard_ms = None

    def heard(self, source: int, now_ms: int) -> bool:
        """One that goes before us has spoken; return whether that is news."""
        news = self.heard_ms is None or source != self.source
        self.heard_ms = now_ms
        self.source = source
        return news

    def free(self, now_ms: int) -> bool:
        """Have we listened long enough, and is there nobody before us?"""
        if self.opened_ms is not None:
            if 0 <= since(now_ms, self.opened_ms) < LISTEN_MS:
                return False
            self.opened_ms = None
        if self.heard_ms is not None:
            if 0 <= since(now_ms, self.heard_ms) < TAKE_OVER_MS:
                return False
            self.heard_ms = None
        return True


class Followed:
    """The source that a listener follows for an instance."""

    __slots__ = ("heard_ms", "priority", "source")

    def __init__(self) -> None:
        self.heard_ms: int | None = None
        self.priority = 0
        self.source = 0

    def counts(self, priority: int, source: int, now_ms: int) -> bool:
        """Does a frame count? If it comes from another source than before, `source` changes."""
        other = source != self.source and not self.silent(now_ms)
        if other and not outranks(priority, source, self.priority, self.source):
            return False
        self.priority, self.source, self.heard_ms = priority, source, now_ms
        return True

    def silent(self, now_ms: int) -> bool:
        """Has the source fallen silent, or never spoken?"""
        if self.heard_ms is not None and not 0 <= since(now_ms, self.heard_ms) < TAKE_OVER_MS:
            self.heard_ms = None
        return self.heard_ms is None
