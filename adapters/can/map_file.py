"""An owner's DBC map, loaded: which signal of which message is which field. Every complaint in one pass.

cantools reads the DBC; where its signals stand is worked out here, once (bits.py, numbers.py).
"""

import difflib
import re
from collections.abc import Iterable
from fractions import Fraction
from math import isfinite
from pathlib import Path
from typing import Any

from attrs import frozen

from adapters.assembly import element
from adapters.can.bits import FLOATS, Spot, spot
from adapters.can.map_checks import KNOWN, check_rows, with_unit
from adapters.can.map_rows import MapFile, MessageRow, RequestRow, SignalRow
from adapters.can.numbers import LEAST_CODED_BITS, RESERVED, Number, Scale
from adapters.meaning import LIST_RANGES, complaints_of, is_bit
from adapters.structure import structured
from adapters.toml_file import BadFileError, Complaint, Place, quoted, raise_if_any, read_toml

LARGEST_DBC_BYTES = 2_000_000  # the DBC of a whole car is about that
EXTENDED = 1 << 31
MOST_MULTIPLEXED = 10_000
MULTIPLEXED = re.compile(r"SG_MUL_VAL_\s+\d+\s+\w+\s+\w+\s([^;]*);")
RANGE = re.compile(r"(\d{1,20})\s*-\s*(\d{1,20})")

When = tuple[tuple[Spot, frozenset[int]], ...]  # multiplexors, and what they must say


@frozen
class Field:
    """One row of the map, placed: a number and the name under which its value goes."""

    signal: str
    key: str  # the field; an element of a list with its number: cells_mv[3]
    number: Number


@frozen
class Layout:
    """One message with one setting of its multiplexors: the signals that then stand in it."""

    part: str  # its name
    when: When
    fields: tuple[Field, ...]


@frozen
class Message:
    """One message of the map. `spots`: of all signals the DBC has for it; `constants`: signal ->
    number in the frame."""

    can_id: int  # bit 31: extended
    length: int  # [bytes]
    row: MessageRow
    layouts: tuple[Layout, ...]
    spots: dict[str, tuple[Spot, Scale]]
    constants: dict[str, int]


@frozen
class Map:
    """A map: `elements`: how many elements each list has."""

    path: Path
    j1939: bool
    messages: tuple[Message, ...]
    elements: dict[str, int]
    requests: tuple[RequestRow, ...] = ()

    def fields(self) -> list[Field]:
        """Return every row's field."""
        return [
            field
            for message in self.messages
            for layout in message.layouts
            for field in layout.fields
        ]


def load_map(path: Path) -> Map:
    """Return the map in a file. Raises BadFileError with every complaint; ModuleNotFoundError
    without cantools."""
    plain, lines = read_toml(path)
    complaints: list[Complaint] = []
    rows = structured(plain, MapFile, (), complaints)
    raise_if_any(complaints, path, lines)
    assert rows is not None  # or there were complaints
    known = {one.name: one for one in read_dbc(path.parent / rows.dbc)}
    messages = []
    for number, row in enumerate(rows.messages):
        place: Place = ("messages", number)
        found = _named(row.message, known, (*place, "message"), complaints)
        if found is not None and rows.ids == "j1939" and not found.is_extended_frame:
            expected = 'a message with a 29-bit id, as ids = "j1939" wants'
            complaints.append(Complaint((*place, "message"), expected, quoted(row.message)))
        if found is not None:
            messages.append(_message(row, found, rows.no_data, place, complaints))
    elements = check_rows(rows, complaints)
    raise_if_any(complaints, path, lines)
    return Map(path, rows.ids == "j1939", tuple(messages), elements, tuple(rows.requests))


def read_dbc(path: Path) -> list[Any]:
    """Return the messages of a DBC file. Raises BadFileError: one line, whatever is in it."""
    import cantools  # an extra: only where it is needed

    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_DBC_BYTES + 1)
    except OSError as error:
        raise BadFileError(
            [f"{path}: cannot be read: {error.strerror or error}"], unreadable=True
        ) from None
    if len(data) > LARGEST_DBC_BYTES:
        raise BadFileError([f"{path}: expected a DBC file of at most 2 MB, got a larger one"])
    text = data.decode("cp1252", "replace")
    if _multiplexed(text) > MOST_MULTIPLEXED:
        expected = f"at most {MOST_MULTIPLEXED} numbers of multiplexors"
        raise BadFileError([f"{path}: expected {expected}, got more"])
    try:
        # Not strict: signals that overlap are common, and harmless where nobody maps them.
        base: Any = cantools.database.load_string(text, "dbc", strict=False)
    except Exception as error:  # a parser of files from anywhere; whatever it meets is one line
        what = " ".join(str(error).split())[:200] or type(error).__name__
        raise BadFileError([f"{path}: not a usable DBC file: {what}"]) from None
    return list(base.messages)


def _multiplexed(text: str) -> int:
    """Return how many numbers a DBC's ranges of multiplexors cover: a parser lists each of them."""
    return sum(
        int(last) - int(first) + 1
        for ranges in MULTIPLEXED.findall(text)
        for first, last in RANGE.findall(ranges)
    )


def _named(name: str, known: dict[str, Any], place: Place, complaints: list[Complaint]) -> Any:
    """Return what has this name in the DBC, or complain."""
    if name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        hint = f'did you mean "{near[0]}"?' if near else "known here: " + some(known)
        complaints.append(Complaint(place, "a name that stands in the DBC", quoted(name), hint))
    return known.get(name)


def some(names: Iterable[str]) -> str:
    """Return up to eight names as a text."""
    listed = sorted(names)
    more = f" and {len(listed) - 8} more" if len(listed) > 8 else ""
    return (", ".join(listed[:8]) + more) or "nothing"


def _message(
    row: MessageRow, found: Any, coding: str, place: Place, complaints: list[Complaint]
) -> Message:
    known = {one.name: one for one in found.signals}
    spots = {name: placed for name in known if (placed := _placed(known[name], found.length))}
    layouts: dict[When, list[Field]] = {(): []}
    for name, here in _signals(row, place):
        _named(name, known, here, complaints)
        if name in known and name not in spots:
            expected = f"a signal of {found.length} bytes with a usable scale in the DBC"
            complaints.append(Complaint(here, expected, quoted(name)))
    for number, signal_row in enumerate(row.signals):
        if signal_row.signal in spots:
            signal = known[signal_row.signal]
            here = (*place, "signals", number)
            field = _field(signal_row, signal, spots[signal.name], coding, here, complaints)
            layouts.setdefault(_when(signal, known, spots), []).append(field)
    return Message(
        found.frame_id | (EXTENDED if found.is_extended_frame else 0),
        found.length,
        row,
        tuple(_laid_out(row.message, layouts)),
        spots,
        _constants(row, spots, place, complaints),
    )


def _laid_out(name: str, layouts: dict[When, list[Field]]) -> list[Layout]:
    """Return the layouts of a message; the first one is what always stands in it."""
    made = []
    for number, (when, fields) in enumerate(layouts.items()):
        part = f"{name}/{number}" if when else name
        made.append(Layout(part, when, tuple(fields)))
    return made


def _signals(row: MessageRow, place: Place) -> Iterable[tuple[str, Place]]:
    """Yield the signals that a message's row names, and where."""
    for kind in ("signals", "constants", "codes"):
        for number, one in enumerate(getattr(row, kind)):
            yield one.signal, (*place, kind, number, "signal")
    if row.counter is not None:
        yield row.counter.signal, (*place, "counter", "signal")
    if row.checksum is not None:
        yield row.checksum.signal, (*place, "checksum", "signal")


def _constants(
    row: MessageRow,
    spots: dict[str, tuple[Spot, Scale]],
    place: Place,
    complaints: list[Complaint],
) -> dict[str, int]:
    """Return the numbers of constants in the frame; complain of those a signal cannot say."""
    made = {}
    for number, constant in enumerate(row.constants):
        if constant.signal in spots:
            where, scale = spots[constant.signal]
            exactly = (_fraction(constant.value) - scale.offset) / scale.scale
            if exactly.denominator == 1 and where.low <= exactly <= where.high:
                made[constant.signal] = int(exactly)
            else:
                here = (*place, "constants", number, "value")
                expected = f"a number that {constant.signal} can say exactly"
                complaints.append(Complaint(here, expected, f"{constant.value:g}"))
    return made


def _is_float(number: float) -> bool:
    """Does a float hold it? A DBC may write an integer of any length."""
    try:
        return isfinite(number)
    except OverflowError:
        return False


def _placed(signal: Any, length: int) -> tuple[Spot, Scale] | None:
    """Return where a signal stands and how it is scaled; None: not in this message, or not at all."""
    numbers = (signal.scale, signal.offset, signal.minimum or 0, signal.maximum or 0)
    if not all(_is_float(one) for one in numbers) or signal.scale == 0:
        return None
    made = spot(
        signal.start,
        signal.length,
        signal.byte_order == "big_endian",
        bool(signal.is_signed),
        bool(signal.is_float),
        length,
    )
    if made.shift < 0 or made.needs > length or (made.floating and made.length not in FLOATS):
        return None
    ends = [None if end is None else _fraction(end) for end in (signal.minimum, signal.maximum)]
    return made, Scale(_fraction(signal.scale), _fraction(signal.offset), ends[0], ends[1])


def _fraction(number: float) -> Fraction:
    return Fraction(str(number))


def _field(
    row: SignalRow,
    signal: Any,
    placed: tuple[Spot, Scale],
    coding: str,
    place: Place,
    complaints: list[Complaint],
) -> Field:
    where, scale = placed
    coded = where.length >= LEAST_CODED_BITS and not where.floating
    reserved = RESERVED[coding](where.length) if coded else 0
    key = element(row.field, row.number or 0) if row.field in LIST_RANGES else row.field
    last = max([row.bit or 0, *(int(bit) for bit in row.bits if is_bit(bit))])
    if last >= where.length:
        here = (*place, "bits" if row.bits else "bit")
        complaints.append(
            Complaint(here, f"bits of a signal of {where.length}", f"bit {last}", "the lowest is 0")
        )
    meaning = with_unit(row, signal.unit, place, complaints)
    complaints.extend(complaints_of(meaning, KNOWN, place))
    return Field(row.signal, key, Number(where, scale, meaning, reserved))


def _when(signal: Any, known: dict[str, Any], spots: dict[str, tuple[Spot, Scale]]) -> When:
    """Return what the multiplexors must say for a signal to stand in a frame."""
    when: list[tuple[Spot, frozenset[int]]] = []
    while signal.multiplexer_signal in spots and len(when) < len(known):
        ids = frozenset(signal.multiplexer_ids or ())
        signal = known[signal.multiplexer_signal]
        when.append((spots[signal.name][0], ids))
    return tuple(reversed(when))
