"""A pack's registers: asked for in groups, and put together into whole reports; and the pack itself,
to be played in tests.

Every talker asks for one block at a time and waits for its answer, so that several packs on one
line take turns. A pack that does not answer is asked less often, so that the others get their turn.
"""

from collections.abc import Sequence
from typing import Any

from attrs import field as attr
from attrs import frozen

from adapters.assembly import Assembly, guards, lacking
from adapters.counts import Counts
from adapters.links import Record
from adapters.meaning import LIST_RANGES, Meaning, Value, merged
from adapters.modbus.checks import HEARTBEAT
from adapters.modbus.maps import Group, RegisterMap, Row, blocks
from adapters.modbus.spell import Unsayable, spelled
from adapters.registers import Answer, Ask, ClientItem, Image, Layout, ServerItem, within
from aggregator import PackReport, SystemView
from aggregator.ticks import since

LOST_MS = 5_000  # an answer that has not come by then never will: the link was busy or lost
DEAF_AFTER = 3  # failures in a row


@frozen(kw_only=True)
class PollSettings:
    """Which pack is asked, and where."""

    map: str  # the map's file
    # the pack's name in the settings
    pack: str
    device: int = attr(default=1, validator=within(0, 255))  # its address on the bus
    # After three failures in a row the pack is asked only so often. Longer leaves more time to the
    # others on the line, shorter finds it again sooner.
    deaf_ms: int = attr(default=10_000, validator=within(0, 600_000))


class _Reading:
    """One group: when it is due, and what of it has come."""

    def __init__(self, map_: RegisterMap, group: Group) -> None:
        self.group = group
        self.blocks = blocks(group, map_.largest_block)
        self.rows = [
            (row, map_.layout(row), row.size, element, address)
            for row in group.rows
            for element, address in zip(_elements(row), row.addresses, strict=True)
        ]
        self.asked_ms: int | None = None  # the last start
        self.words: dict[int, int] = {}
        self.next_block = 0

    def overdue_ms(self, now_ms: int) -> int:
        """How long it has been due; negative: not yet."""
        if self.asked_ms is None:
            return self.group.every_ms
        gone_ms = since(now_ms, self.asked_ms)
        return gone_ms - self.group.every_ms if gone_ms >= 0 else 0

    def said(self) -> tuple[dict[str, object], int | float | None]:
        """Return the fields, and the pack's own count of its readings, if it has one."""
        words = self.words
        rows: list[tuple[Meaning, Value | None]] = []
        beat = None
        for row, layout, size, element, address in self.rows:
            if size == 1:
                number = layout.number((words[address],))
            else:
                number = layout.number((words[address], words[address + 1]))
            if row.field == HEARTBEAT:
                beat = number
            else:
                rows.append((element, row.value(number)))
        return merged(rows), beat


def _elements(row: Row) -> list[Meaning]:
    """Return a row's meaning for each of its numbers: which element of the list it is."""
    if row.field not in LIST_RANGES or (row.count == 1 and row.number is None):
        return [row] * row.count
    first = row.number or 1
    return [Meaning(field=row.field, number=first + n) for n in range(row.count)]


class PackPoller:
    """Talker of a client's link: asks one pack, reports it."""

    def __init__(self, map_: RegisterMap, settings: PollSettings) -> None:
        map_.is_of("pack")
        self.counts = Counts()
        self._settings = settings
        self._readings = [_Reading(map_, group) for group in map_.groups]
        parts = {group.name: group.keep_ms for group in map_.groups}
        needed = [
            group.name
            for group in map_.groups
            if guards(group.keep_ms, [row.field for row in group.rows])
        ]
        self._assembly = Assembly(settings.pack, parts, needed=needed)
        self._pending: tuple[Ask, _Reading, int] | None = None
        self._failures = 0
        self._failed_ms = 0
        self._beats: dict[str, int | float] = {}

    def opened(self, now_ms: int) -> None:
        """Start every group anew."""
        self._pending, self._failures = None, 0
        for reading in self._readings:
            reading.asked_ms, reading.next_block = None, 0

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[ClientItem]:
        """Return the next request, if one is due and none is under way."""
        if self._pending is not None:
            if 0 <= since(now_ms, self._pending[2]) < LOST_MS:
                return ()
            self._failed("no answer was brought back", now_ms)
        waited_ms = since(now_ms, self._failed_ms)
        if self._failures >= DEAF_AFTER and 0 <= waited_ms < self._settings.deaf_ms:
            return ()
        reading = self._next(now_ms)
        if reading is None:
            return ()
        if reading.next_block == 0:
            reading.asked_ms, reading.words = now_ms, {}
        address, count = reading.blocks[reading.next_block]
        ask = Ask(self._settings.device, reading.group.function, address, count)
        self._pending = (ask, reading, now_ms)
        return (ask,)

    def _next(self, now_ms: int) -> _Reading | None:
        """The group that is half read, else the one that is due longest."""
        for reading in self._readings:
            if reading.next_block:
                return reading
        longest = max(self._readings, key=lambda reading: reading.overdue_ms(now_ms))
        return longest if longest.overdue_ms(now_ms) >= 0 else None

    def received(self, item: ClientItem, now_ms: int) -> Sequence[Record]:
        """Take an answer; a report, if it completes one."""
        if self._pending is None or not isinstance(item, Answer) or item.ask != self._pending[0]:
            return ()
        ask, reading, _ = self._pending
        if item.words is None or len(item.words) != ask.count:
            self._failed(item.trouble or f"{len(item.words or ())} words for {ask.count}", now_ms)
            return ()
        self._pending, self._failures = None, 0
        self.counts.received += 1
        reading.words.update(enumerate(item.words, ask.address))
        reading.next_block += 1
        if reading.next_block < len(reading.blocks):
            return ()
        reading.next_block = 0
        return self._whole(reading, now_ms)

    def _whole(self, reading: _Reading, now_ms: int) -> Sequence[Record]:
        """A group has come: hand it on, if it is new."""
        fields, beat = reading.said()
        name = reading.group.name
        if beat is not None:
            if beat == self._beats.get(name):
                return ()  # the pack has measured nothing since
            self._beats[name] = beat
        # The first of its registers was read no earlier than it was asked for.
        asked_ms = now_ms if reading.asked_ms is None else reading.asked_ms
        fields["age_ms"] = since(now_ms, asked_ms)
        missing = lacking(fields)
        if missing is not None:
            self.counts.refuse(f"{name}: no {missing} in it")
        report = self._assembly.put(name, fields, now_ms)
        return () if report is None else (report,)

    def _failed(self, why: str, now_ms: int) -> None:
        """Give up a request and with it the whole group: half of one is not a reading."""
        self.counts.refuse(why)
        self._failures += 1
        self._failed_ms = now_ms
        if self._pending is not None:
            self._pending[1].next_block = 0
        self._pending = None


class PackServer:
    """Talker of a server's link: plays the pack that a map describes. `report`: what it says."""

    def __init__(self, map_: RegisterMap, device: int = 1) -> None:
        self.counts = Counts()
        self.report: PackReport | None = None
        self.device = device
        self._map = map_
        self._beat = 0
        self._shown: tuple[PackReport | None, int] | None = None

    def opened(self, now_ms: int) -> None:
        """Show the image again."""
        self._shown = None

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[ServerItem]:
        """Return the image whenever the report is another one, and every second."""
        report = self.report
        if self._shown and self._shown[0] is report and 0 <= since(now_ms, self._shown[1]) < 1_000:
            return ()
        self._shown = (report, now_ms)
        if report is None:
            return (Image(self.device, None),)
        self._beat = (self._beat + 1) & 0x7FFF
        try:
            return (Image(self.device, pack_tables(self._map, report, self._beat)),)
        except Unsayable as error:
            self.counts.refuse(str(error))
            return (Image(self.device, None),)

    def received(self, item: ServerItem, now_ms: int) -> Sequence[Record]:
        """Nothing of a pack is writable."""
        return ()


def pack_tables(map_: RegisterMap, report: PackReport, beat: int = 0) -> dict[int, dict[int, int]]:
    """Return the registers, by function, of a pack that says `report`; what no row covers within a
    block is 0. Raises Unsayable."""
    tables: dict[int, dict[int, int]] = {}
    for group in map_.groups:
        table = tables.setdefault(group.function, {})
        for start, count in blocks(group, map_.largest_block):
            for address in range(start, start + count):
                table.setdefault(address, 0)
        for row in group.rows:
            _write_row(table, row, map_.layout(row), report, beat)
    return tables


def _write_row(
    table: dict[int, int], row: Row, layout: Layout, report: PackReport, beat: int
) -> None:
    """Write one row into a table; bits share their register."""
    if row.field == HEARTBEAT:
        values: list[Any] = [beat]
    elif row.field in LIST_RANGES:
        listed = getattr(report, row.field)
        first = (row.number or 1) - 1
        values = [None] * row.count if listed is None else list(listed[first : first + row.count])
    else:
        value = getattr(report, row.field)
        values = [tuple(value) if isinstance(value, set | list) else value]
    for address, value in zip(row.addresses, values, strict=False):
        number = value if row.field == HEARTBEAT else spelled(row, layout, value)
        for at, word in enumerate(layout.words(number), address):
            table[at] = table.get(at, 0) | word
