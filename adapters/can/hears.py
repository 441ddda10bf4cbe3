"""A pack, or a meter on the common bus, heard by an owner's DBC map. And the pack's own side."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from attrs import field as attr
from attrs import frozen

from adapters.assembly import Assembly, guards, lacking
from adapters.can.asking import Asking
from adapters.can.map_file import Map, load_map
from adapters.can.map_rows import between
from adapters.can.reading import METER_RANGES, PACK_RANGES, Frame, Ids, Reader
from adapters.can.writing import Writer
from adapters.counts import Counts
from adapters.links import Record
from adapters.meaning import BUS_RANGES, FIELDS
from aggregator import BusReport, PackReport, SystemView
from aggregator.ticks import since

MOVED_MS = 10_000  # a sender silent for so long may have taken another address


@frozen(kw_only=True)
class HearsSettings:
    """Whose frames these are. Several packs of one make share a map and differ here."""

    map: str  # the map's file, relative to SITE.toml
    pack: str | None = None  # the pack's name; left out: a meter on the common bus
    # Added to every id of the DBC: for makes that number their units by id, such as id 0x200 + unit.
    id_offset: int = attr(default=0, validator=between(-0x1FFFFFFF, 0x1FFFFFFF))
    # Maps with J1939 ids: the unit's source address. Left out: whichever is heard first, until it
    # has been silent for 10 s; a second unit on the bus is then refused, not mixed in.
    source_address: int | None = attr(default=None, validator=between(0, 253))
    # Signals that must say a number for a frame to count: for makes that put the unit's number
    # into the frame. Messages without that signal always count.
    only: dict[str, int] = attr(factory=dict)


def hears(settings: HearsSettings, folder: Path) -> "DbcPack":
    """Return the talker. Raises BadFileError (the map), ValueError (the settings)."""
    return DbcPack(settings, load_map(folder / settings.map))


class DbcPack:
    """Frames of one pack or meter -> its reports (links.Talker)."""

    def __init__(self, settings: HearsSettings, rows: Map) -> None:
        self.counts = Counts()
        self._is_meter = settings.pack is None
        known = BUS_RANGES if self._is_meter else FIELDS
        strange = [one.key for one in rows.fields() if one.number.meaning.field not in known]
        if strange:
            whose = "a meter on the common bus" if self._is_meter else "a pack"
            raise ValueError(f"{rows.path}: fields of {whose}, not {strange[0]}")
        if settings.source_address is not None and not rows.j1939:
            raise ValueError('source_address: only for maps with ids = "j1939"')
        ids = Ids(settings.id_offset, settings.source_address)
        ranges = METER_RANGES if self._is_meter else PACK_RANGES
        self._reader = Reader(rows, ranges, ids, settings.only, self.counts)
        self._asking = Asking(rows, ids)
        self._any_source = rows.j1939 and settings.source_address is None
        self._source: int | None = None
        self._heard_ms = 0
        self._pack = settings.pack or "meter"
        self._rows = rows
        self._assembly = self._empty()

    def opened(self, now_ms: int) -> None:
        """Nothing is forgotten: parts that were heard before the loss get older."""
        self._asking.opened()

    def received(self, item: Frame, now_ms: int) -> Sequence[Record]:
        """Return the report that a frame makes whole, if it does."""
        if not self._reader.knows(item[0]):
            return ()
        if self._any_source and not self._is_ours(item[0] & 0xFF, now_ms):
            self.counts.refuse("a second source address: give each pack its source_address")
            return ()
        made: list[Record] = []
        for part, fields in self._reader.read(item):
            missing = lacking(fields)
            if missing is not None:
                self.counts.refuse(f"{part}: no {missing} in it")
            report = self._assembly.put(part, fields, now_ms)
            if report is not None:
                made.append(_metered(report) if self._is_meter else report)
        return made

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Frame]:
        """Return the requests that are due: questions, which no charger obeys."""
        return self._asking.due(now_ms)

    def _empty(self) -> Assembly:
        """Return an assembly that has heard nothing."""
        parts: dict[str, int | None] = {}
        needed = []
        for message in self._rows.messages:
            for layout in message.layouts:
                if layout.fields:
                    parts[layout.part] = message.row.keep_ms
                told = {field.number.meaning.field for field in layout.fields}
                if guards(message.row.keep_ms, told):
                    needed.append(layout.part)
        return Assembly(self._pack, parts, self._rows.elements, needed)

    def _is_ours(self, source: int, now_ms: int) -> bool:
        if self._source is None or not 0 <= since(now_ms, self._heard_ms) < MOVED_MS:
            if source != self._source:
                self._assembly = self._empty()  # no part of another unit lives on
            self._source = source
        if source == self._source:
            self._heard_ms = now_ms
        return source == self._source


def _metered(report: PackReport) -> BusReport:
    return BusReport(
        report.sample,
        age_ms=report.age_ms,
        voltage_mv=report.voltage_mv,
        current_ma=report.current_ma,
    )


class DbcPackSide:
    """The other side: a pack's report -> the frames it would send."""

    def __init__(self, settings: HearsSettings, rows: Map) -> None:
        self.counts = Counts()
        self._writer = Writer(rows, Ids(settings.id_offset, settings.source_address), self.counts)

    def frames(self, report: PackReport | BusReport, now_ms: int) -> list[Frame]:
        """Return the frames that are due, saying the report."""
        return self._writer.due(now_ms, plain(report), True)


def plain(report: PackReport | BusReport) -> dict[str, Any]:
    """Return a report's fields by name."""
    return {name: getattr(report, name) for name in report.__slots__}
