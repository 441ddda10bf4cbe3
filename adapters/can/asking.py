"""Asking a pack that speaks only when it is asked: the requests of a map, each at its own period."""

from adapters.can.map_file import EXTENDED, Map
from adapters.can.reading import PDU2, Frame, Ids
from aggregator.ticks import since

LAST_STANDARD = 0x7FF


class Asking:
    """The requests to one pack. Raises ValueError: an id that there is not."""

    def __init__(self, rows: Map, ids: Ids) -> None:
        self._asked_ms: list[int | None] = [None] * len(rows.requests)
        self._every_ms = [row.every_ms for row in rows.requests]
        self._frames: list[Frame] = []
        for row in rows.requests:
            can_id = row.id + ids.offset
            extended = row.extended or row.id > LAST_STANDARD
            if not 0 <= can_id <= (0x1FFFFFFF if extended else LAST_STANDARD):
                raise ValueError("id_offset: one that leaves each request an id of its kind")
            addressed = rows.j1939 and extended and can_id >> 16 & 0xFF < PDU2
            if addressed and ids.source_address is not None:
                can_id = can_id & ~0xFF00 | ids.source_address << 8
            self._frames.append((can_id | (EXTENDED if extended else 0), bytes.fromhex(row.data)))

    def opened(self) -> None:
        """Everything is due at once."""
        self._asked_ms = [None] * len(self._asked_ms)

    def due(self, now_ms: int) -> list[Frame]:
        """Return the requests that are due."""
        made = []
        for number, asked_ms in enumerate(self._asked_ms):
            gone_ms = None if asked_ms is None else since(now_ms, asked_ms)
            if gone_ms is None or not 0 <= gone_ms < self._every_ms[number]:
                self._asked_ms[number] = now_ms
                made.append(self._frames[number])
        return made
