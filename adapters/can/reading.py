"""Frames -> fields, by an owner's map. Pure and quick: a frame is one look-up and a few shifts."""

from collections.abc import Callable, Mapping
from typing import Any

from attrs import frozen

from adapters.can.bits import Spot
from adapters.can.guard import Guard
from adapters.can.map_file import EXTENDED, Field, Map, Message, When
from adapters.can.numbers import FAR, LIMITS
from adapters.counts import Counts
from adapters.meaning import BUS_RANGES, LIST_RANGES, RANGES, Meaning, Value, merged

Frame = tuple[int, bytes]  # id, with bit 31 set if extended; data
Ranges = Mapping[str, tuple[int, int]]
Said = list[tuple[str, dict[str, Any]]]  # parts, and the fields of each

Words = tuple[int, int]  # a frame from its low and from its high end

PACK_RANGES: Ranges = {**RANGES, **LIST_RANGES}
METER_RANGES: Ranges = BUS_RANGES
BANK_RANGES: Ranges = dict.fromkeys(LIMITS, (0, FAR))  # of many packs; the rest is not judged
PDU2 = 240  # from this PDU format on, the second byte belongs to the group (SAE J1939-21)


def group(can_id: int) -> int:
    """Return an extended id without what J1939 leaves to the sender: priority and addresses."""
    addressed = (can_id >> 16 & 0xFF) < PDU2
    return can_id & (EXTENDED | (0x03FF0000 if addressed else 0x03FFFF00))


@frozen
class Ids:
    """Which ids the map's messages have here: `offset` is added to those of the DBC;
    `source_address`, for J1939 ids, replaces their lowest byte (None: left as it is)."""

    offset: int = 0
    source_address: int | None = None

    def of(self, message: Message) -> int:
        """Return the id of a message. Raises ValueError: the offset leads out of the ids there are."""
        can_id = message.can_id + self.offset
        low, high = (EXTENDED, EXTENDED | 0x1FFFFFFF) if message.can_id & EXTENDED else (0, 0x7FF)
        if not low <= can_id <= high:
            raise ValueError(f"id_offset: one that leaves {message.row.message} an id of its kind")
        return can_id if self.source_address is None else can_id & ~0xFF | self.source_address


@frozen
class Taken:
    """A field, ready to be read."""

    signal: str
    key: str
    meaning: Meaning
    spot: Spot
    raw: Callable[[int], int]  # of a frame from the end that its order says
    read: Callable[[int], Value | None]

    def of(self, words: Words, had: int) -> tuple[int | None, Value | None]:
        """Return the number and the value in a frame of which `had` bytes came."""
        if self.spot.needs > had:
            return None, None
        raw = self.raw(words[self.spot.big])
        return raw, self.read(raw)


Laid = tuple[str, When, list[Taken]]  # part, its multiplexors, its fields


class Reading:
    """One message, ready to be read. `only`: what signals must say for a frame to count."""

    def __init__(self, message: Message, ranges: Ranges, only: Mapping[str, int]) -> None:
        self.message = message
        self._shortest = message.row.shortest or message.length
        guarded = message.row.counter or message.row.checksum
        self._guard = Guard(message) if guarded else None
        self._only = [(message.spots[name][0], number) for name, number in only.items()]
        self._layouts: list[Laid] = [
            (layout.part, layout.when, [taken(field, ranges) for field in layout.fields])
            for layout in message.layouts
            if layout.fields
        ]

    def parts(self, data: bytes) -> Said | str:
        """Return what a frame says, or what is wrong with it."""
        found = self._laid_out(data)
        if isinstance(found, str):
            return found
        words, layouts = found
        return [(part, values(fields, words, len(data))) for part, _, fields in layouts]

    def numbers(self, data: bytes) -> list[tuple[Taken, int | None, Value | None]] | str:
        """Return each field of a frame with its number as it stands there, and its value."""
        found = self._laid_out(data)
        if isinstance(found, str):
            return found
        words, layouts = found
        return [(one, *one.of(words, len(data))) for _, _, fields in layouts for one in fields]

    def _laid_out(self, data: bytes) -> tuple[Words, list[Laid]] | str:
        """Return a frame as integers and the layouts it has; or what is wrong with it."""
        length, had = self.message.length, len(data)
        if had < self._shortest:
            return f"a frame of {had} bytes"
        if had != length:
            data = data[:length].ljust(length, b"\xff")
        words = int.from_bytes(data, "little"), int.from_bytes(data, "big")
        for spot, number in self._only:
            if spot.read(words[spot.big]) != number:
                return words, []
        wrong = self._guard.complaint(data) if self._guard is not None else None
        if wrong is not None:
            return wrong
        return words, [
            laid
            for laid in self._layouts
            if all(spot.read(words[spot.big]) in ids for spot, ids in laid[1])
        ]


def taken(field: Field, ranges: Ranges) -> Taken:
    """Return a field ready to be read; beyond `ranges` it is unknown."""
    number = field.number
    low, high = ranges.get(number.meaning.field, (-FAR, FAR))
    spot, read = number.spot, number.reader(low, high)
    return Taken(field.signal, field.key, number.meaning, spot, spot.reader(), read)


def values(fields: list[Taken], words: Words, had: int) -> dict[str, Any]:
    """Return what the fields say in a frame of which `had` bytes came."""
    found: dict[str, Any] = {}
    alarms: list[tuple[Meaning, Value | None]] = []
    for one in fields:
        _, value = one.of(words, had)
        if one.meaning.bits:
            alarms.append((one.meaning, value))
        else:
            found[one.key] = value
    if alarms:
        found.update(merged(alarms))
    return found


class Reader:
    """All messages of a map, ready to be read. Raises ValueError: two have the same id here."""

    def __init__(
        self, rows: Map, ranges: Ranges, ids: Ids, only: Mapping[str, int], counts: Counts
    ) -> None:
        self._counts = counts
        self._j1939 = rows.j1939
        self._source = ids.source_address
        self._messages: dict[int, Reading] = {}
        if unknown := [
            name for name in only if not any(name in one.spots for one in rows.messages)
        ]:
            raise ValueError(f"only: signals of the map's messages, not {unknown[0]}")
        for message in rows.messages:
            key = self._key(ids.of(message))
            if key in self._messages:
                other = self._messages[key].message.row.message
                raise ValueError(f"{other} and {message.row.message} have the same id here")
            here = {name: number for name, number in only.items() if name in message.spots}
            self._messages[key] = Reading(message, ranges, here)

    def _key(self, can_id: int) -> int:
        return group(can_id) if self._j1939 else can_id

    def knows(self, can_id: int) -> bool:
        """Is this id one of the map's?"""
        if self._j1939 and self._source is not None and can_id & 0xFF != self._source:
            return False
        return self._key(can_id) in self._messages

    def reading(self, can_id: int) -> Reading:
        """Return the message of an id that it `knows`."""
        return self._messages[self._key(can_id)]

    def read(self, frame: Frame) -> Said:
        """Return the parts in a frame that it `knows`: nothing if it is not right."""
        reading = self.reading(frame[0])
        self._counts.received += 1
        said = reading.parts(frame[1])
        if isinstance(said, str):
            self._counts.refuse(f"{reading.message.row.message}: {said}")
            return []
        return said
