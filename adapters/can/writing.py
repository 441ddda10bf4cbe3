"""Fields -> frames, by an owner's map: each message at its own period, rounded to the safe side.
A message in which a limit or permission asks for less than it said last does not wait for its period.

What a signal cannot say honestly is not said: that message is left out, and counted. A bit cannot
say "unknown": it says no.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from adapters.assembly import asks_for_less
from adapters.can.guard import Guard, put
from adapters.can.map_file import Field, Layout, Map, Message
from adapters.can.reading import Frame, Ids
from adapters.counts import Counts
from adapters.meaning import LIST_RANGES
from aggregator.ticks import since

HURRIED_MS = 100  # two frames of one message never follow closer for this


class Writing:
    """One message, ready to be written."""

    def __init__(self, message: Message, can_id: int) -> None:
        self.message = message
        self.can_id = can_id
        self.sent_ms: int | None = None
        self._said: dict[str, Any] = {}
        self._guard = Guard(message)
        base, *others = message.layouts
        self._layouts = others or [base]
        self._always = base.fields if others else ()
        fields = [field for layout in message.layouts for field in layout.fields]
        self._keys = {field.key for field in fields}
        self._blank = bytes([0xFF if message.row.unused_bits else 0]) * message.length

    def is_due(self, now_ms: int, values: Mapping[str, Any]) -> bool:
        """Has its period passed, or does it have to ask for less than it said last?"""
        gone_ms = -1 if self.sent_ms is None else since(now_ms, self.sent_ms)
        if not 0 <= gone_ms < self.message.row.period_ms:
            return True
        return gone_ms >= HURRIED_MS and asks_for_less(self._said, self._of(values))

    def _of(self, values: Mapping[str, Any]) -> dict[str, Any]:
        """Return those of the values that stand in this message."""
        return {key: values[key] for key in self._keys & values.keys()}

    def frames(self, values: Mapping[str, Any]) -> list[Frame]:
        """Return the frames that say `values`, one for each setting of the multiplexors.

        `values`: field -> value in the core's unit. Raises ValueError: it cannot be said.
        """
        made = [(self.can_id, self._data(layout, values)) for layout in self._layouts]
        self._said = self._of(values)
        return made

    def _data(self, layout: Layout, values: Mapping[str, Any]) -> bytes:
        data = self._blank
        for spot, ids in layout.when:
            data = put(spot, data, min(ids))
        bits: dict[str, int] = {}  # of signals that several rows share
        for field in (*self._always, *layout.fields):
            raw = field.number.write(said(field, values))
            if raw is None:
                raise ValueError(f"{field.signal} cannot say this {field.key}")
            if field.number.is_bits:
                raw = bits[field.signal] = bits.get(field.signal, 0) | raw
            data = put(field.number.spot, data, raw)
        for name, raw in self._fixed(values):
            data = put(self.message.spots[name][0], data, raw)
        return self._guard.sealed(data)

    def _fixed(self, values: Mapping[str, Any]) -> Iterator[tuple[str, int]]:
        """Yield the numbers of constants and codes."""
        for constant in self.message.row.constants:
            yield constant.signal, self.message.constants[constant.signal]
        for code in self.message.row.codes:
            yield code.signal, code.codes[values.get(code.field) or "paused"]


def said(field: Field, values: Mapping[str, Any]) -> Any:
    """Return the value of a field; of a list, the element that the row means."""
    name, number = field.number.meaning.field, field.number.meaning.number
    value = values.get(name)
    if name not in LIST_RANGES or value is None or number is None:
        return value
    return value[number - 1] if number <= len(value) else None


class Writer:
    """All messages of a map, ready to be written."""

    def __init__(self, rows: Map, ids: Ids, counts: Counts) -> None:
        self._counts = counts
        self._messages = [Writing(message, ids.of(message)) for message in rows.messages]

    def opened(self) -> None:
        """Everything is due at once."""
        for message in self._messages:
            message.sent_ms = None

    def due(self, now_ms: int, values: Mapping[str, Any], may_speak: bool) -> list[Frame]:
        """Return the frames that are due. Without `may_speak`: only those marked as telemetry."""
        made: list[Frame] = []
        for message in self._messages:
            if not (may_speak or message.message.row.telemetry) or not message.is_due(
                now_ms, values
            ):
                continue
            message.sent_ms = now_ms
            try:
                made += message.frames(values)
            except ValueError as error:
                self._counts.drop(f"{message.message.row.message} is not sent: {error}")
        return made
