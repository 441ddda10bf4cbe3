"""The view of the bank, a line at a time: at a period, and at once when something counts. Board-safe.

    {"view":{"charge_current_limit_ma":75000,...}}

Fields and units are the view's. `may_speak` is always among them, as it is at that moment; while it
is false, limits and permissions are null: nothing in the line is meant to be obeyed.
"""

from adapters.counts import Counts
from aggregator.plain import json_text, view_to_plain
from aggregator.ticks import since
from aggregator.view import VIEW_FIELDS, SystemView

PERIOD_MS = 1_000
# What a charger or an inverter would obey.
OBEYED = (
    "charge_allowed",
    "discharge_allowed",
    "charge_voltage_limit_mv",
    "discharge_voltage_limit_mv",
    "charge_current_limit_ma",
    "discharge_current_limit_ma",
)
# A line goes out at once when one of these moves.
WATCHED = OBEYED + ("stage", "protection_bits")
ALL_FIELDS = VIEW_FIELDS + ("packs", "findings")


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
        self._fields = list(ALL_FIELDS) if fields is None else list(fields)
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
        if not self._is_due(now_ms, view, may_speak):
            return []
        self._said_ms = now_ms
        for number in range(len(WATCHED)):
            self._said[number] = getattr(view, WATCHED[number])
        self._said[-1] = may_speak
        return [view_line(view, may_speak, self._fields)]

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


def view_line(view: SystemView, may_speak: bool, fields: list[str]) -> bytes:
    """Return the line that shows these fields of a view."""
    whole = view_to_plain(view)
    shown = {name: whole[name] for name in fields}
    if not may_speak:
        for name in OBEYED:
            if name in shown:
                shown[name] = None
    shown["may_speak"] = may_speak
    return json_text({"view": shown}).encode() + b"\n"
