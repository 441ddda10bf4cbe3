"""The view of the bank, a line at a time: at a period, and at once when something counts. Board-safe.

    {"view":{"charge_current_limit_ma":75000,...}}

Fields and units are the view's. `may_speak` is always among them, as it is at that moment; while it
is false, limits and permissions are null: nothing in the line is meant to be obeyed.
"""

from adapters.counts import Counts
from adapters.jsonlines.writer import ALL_FIELDS, OBEYED, ViewWriter
from aggregator.ticks import since
from aggregator.view import SystemView

PERIOD_MS = 1_000
# A line goes out at once when one of these moves.
WATCHED = OBEYED + ("stage", "protection_bits")


class LinesOut:
    """Says the view. `fields`: some of ALL_FIELDS, None: all; `period_ms`: a line at least so often,
    None: only on changes; `on_change`: also at once, when a limit, permission or stage moves."""

    def __init__(
        self,
        fields: list[str] | None = None,
        period_ms: int | None = PERIOD_MS,
        on_change: bool = True,
    ) -> None:
        self.counts = Counts()
        self._writer = ViewWriter(list(ALL_FIELDS if fields is None else fields))
        self._items: list[bytes] = []  # used again
        self._period_ms = period_ms
        self._on_change = on_change
        self._said: list[object] = [None] * (len(WATCHED) + 1)
        self._said_ms: int | None = None

    def opened(self, now_ms: int) -> None:
        """Say everything anew."""
        self._said_ms = None

    def received(self, item: bytes, now_ms: int) -> list[object]:
        """Listen to nobody."""
        return []

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> list[bytes]:
        """Return the line that is due, if one is."""
        items = self._items
        while items:
            items.pop()
        if not self._is_due(now_ms, view, may_speak):
            return items
        self._said_ms = now_ms
        for number in range(len(WATCHED)):
            self._said[number] = getattr(view, WATCHED[number])
        self._said[-1] = may_speak
        items.append(self._writer.line(view, may_speak))
        return items

    def _is_due(self, now_ms: int, view: SystemView, may_speak: bool) -> bool:
        if self._said_ms is None:
            return True
        if self._period_ms is not None and not 0 <= since(now_ms, self._said_ms) < self._period_ms:
            return True
        if not self._on_change:
            return False
        for number in range(len(WATCHED)):
            if self._said[number] != getattr(view, WATCHED[number]):
                return True
        return self._said[-1] != may_speak
