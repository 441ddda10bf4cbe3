"""The bank, said in the frames of an owner's DBC map: how most inverters are served. And the
charger's own side.

A limit of 0 and "not allowed" go together, also after the signals have rounded them. A direction
whose voltage limit its signal cannot carry is not allowed: no word at all could be taken for the last.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from attrs import field as attr
from attrs import frozen

from adapters.can.map_checks import VIEW_NUMBERS
from adapters.can.map_file import Map, load_map
from adapters.can.map_rows import between
from adapters.can.numbers import FAR, LIMITS, Number
from adapters.can.reading import BANK_RANGES, Frame, Ids, Reader
from adapters.can.writing import Writer
from adapters.counts import Counts
from adapters.links import Record
from adapters.meaning import Value
from aggregator import SystemView

DIRECTIONS = (
    ("charge_allowed", "charge_current_limit_ma", "charge_voltage_limit_mv"),
    ("discharge_allowed", "discharge_current_limit_ma", "discharge_voltage_limit_mv"),
)


ALWAYS_KNOWN = (*LIMITS, "capacity_mah", "stage_elapsed_ms")


@frozen(kw_only=True)
class SaysSettings:
    """Which map, and how its ids are shifted, as in HearsSettings."""

    # the map's file, relative to SITE.toml
    map: str
    # added to every id of the DBC
    id_offset: int = attr(default=0, validator=between(-0x1FFFFFFF, 0x1FFFFFFF))
    # maps with J1939 ids: our own source address, 0..253
    source_address: int | None = attr(default=None, validator=between(0, 253))
    # When the gateway is stopped on purpose its last word is "do not charge": silence could be
    # taken for "go on". false: it just falls silent, and the inverter's own timeout must do.
    stops_charge_when_leaving: bool = True


def says(settings: SaysSettings, folder: Path) -> "DbcBank":
    """Return the talker. Raises BadFileError (the map), ValueError (the settings)."""
    return DbcBank(settings, load_map(folder / settings.map))


class DbcBank:
    """The bank's view -> frames (links.Talker)."""

    def __init__(self, settings: SaysSettings, rows: Map) -> None:
        strange = [one.key for one in rows.fields() if one.number.meaning.field not in VIEW_NUMBERS]
        if strange:
            raise ValueError(f"{rows.path}: fields of the bank's view, not {strange[0]}")
        if settings.source_address is not None and not rows.j1939:
            raise ValueError('source_address: only for maps with ids = "j1939"')
        self.counts = Counts()
        self._names = {one.number.meaning.field for one in rows.fields()} | {"stage"}
        _can_say_unknown(rows)
        self._told = {one.key: one.number for one in rows.fields()}
        self._writer = Writer(rows, Ids(settings.id_offset, settings.source_address), self.counts)
        self._leaves_stopped = settings.stops_charge_when_leaving
        self._last: dict[str, Any] | None = None

    def opened(self, now_ms: int) -> None:
        """Everything is due at once."""
        self._writer.opened()

    def received(self, item: Frame, now_ms: int) -> Sequence[Record]:
        """Return nothing: it only speaks."""
        return ()

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Frame]:
        """Return the frames that are due; without `may_speak` only telemetry."""
        self._last = self._values(view)
        return self._writer.due(now_ms, self._last, may_speak)

    def closing(self, now_ms: int, may_speak: bool) -> Sequence[Frame]:
        """Return the last words: what was said before, and "do not charge"."""
        if self._last is None or not may_speak or not self._leaves_stopped:
            return ()
        allowed, limit, _ = DIRECTIONS[0]
        self._writer.opened()
        return self._writer.due(now_ms, self._last | {allowed: False, limit: 0}, True)

    def _values(self, view: SystemView) -> dict[str, Any]:
        """Return what to say, with limits and permissions in agreement."""
        values: dict[str, Any] = {name: getattr(view, name) for name in self._names}
        for allowed, limit, voltage in DIRECTIONS:
            most = getattr(view, limit) or 0
            may = getattr(view, allowed) is True and _says_some(self._told.get(limit), most)
            if (allowed in self._told or limit in self._told) and voltage in self._told:
                number = self._told[voltage]
                if number.write(getattr(view, voltage)) is None:
                    may, values[voltage] = False, _strictest(number)
            values[limit] = most if may else 0
            values[allowed] = may and most > 0
        return values


def _can_say_unknown(rows: Map) -> None:
    """Raise ValueError if a message that tells limits could not be sent for something else in it."""
    for message in rows.messages:
        fields = [field for layout in message.layouts for field in layout.fields]
        if not any(field.key in direction for field in fields for direction in DIRECTIONS):
            continue
        for field in fields:
            number, name = field.number, field.number.meaning.field
            if number.is_quantity and name not in ALWAYS_KNOWN and number.no_data() is None:
                raise ValueError(
                    f"{rows.path}: {message.row.message} tells limits, and {field.signal} has no number"
                    f" for when {name} is unknown: give it no_data = [...]"
                )


def _strictest(number: Number) -> Value | None:
    """Return the strictest value of a voltage limit that a signal holds."""
    ends = [number.reader(0, FAR)(end) for end in number.bounds()]
    known = [end for end in ends if end is not None]
    strict = max if number.meaning.field == DIRECTIONS[1][2] else min
    return strict(known, default=None)


def _says_some(number: Number | None, limit_ma: int) -> bool:
    """Does a limit still say more than 0 once the signal has rounded it? None: there is none."""
    if number is None:
        return True
    raw = number.write(limit_ma)
    return raw is not None and bool(number.reader(0, FAR)(raw))


class DbcChargerSide:
    """The other side: frames -> what a charger is told. `fields`: the latest, in the core's units."""

    def __init__(self, settings: SaysSettings, rows: Map) -> None:
        self.counts = Counts()
        self.fields: dict[str, Any] = {}
        ids = Ids(settings.id_offset, settings.source_address)
        self._reader = Reader(rows, BANK_RANGES, ids, {}, self.counts)

    def received(self, item: Frame) -> None:
        """Take a frame."""
        if self._reader.knows(item[0]):
            for _, fields in self._reader.read(item):
                self.fields.update(fields)
