"""Recordings of a CAN bus, and what a map makes of one.

Two kinds of lines are read, those of candump's log files and those it shows on a terminal, with
time stamps or without; lines with # in front are notes:

    (1700000000.123456) can0 300#C014D6FF57160F13
     (000.000120)  can0  18FF0600   [8]  50 04 81 03 32 03 2B 9C
"""

import re
from collections.abc import Iterable

from adapters.can.map_file import EXTENDED, Map
from adapters.can.reading import BANK_RANGES, PACK_RANGES, Frame, Ids, Reader
from adapters.capture import Seen
from adapters.counts import Counts
from adapters.meaning import FIELDS

TIME = r"\s*(?:\((?P<at>\d+(?:\.\d+)?)\))?\s*\S+\s+"
LOGGED = re.compile(
    TIME
    + r"(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?P<fd>#[0-9A-Fa-f])?(?P<data>[0-9A-Fa-f]*)(?:\s.*)?$"
)
SHOWN = re.compile(
    TIME + r"(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})\s+\[\d+\](?P<data>(?:\s+[0-9A-Fa-f]{2})*)\s*$"
)
STANDARD_DIGITS = 3  # of an 11-bit id; 29-bit ids have eight


def frame_of(line: str) -> tuple[int | None, Frame] | None:
    """Return the time [ms] (None: the line has none) and the frame on a line; None: it has no data
    frame."""
    found = LOGGED.match(line) or SHOWN.match(line)
    if found is None:
        return None
    digits = "".join(found["data"].split())
    if len(digits) % 2:
        return None
    can_id = int(found["id"], 16) | (0 if len(found["id"]) == STANDARD_DIGITS else EXTENDED)
    at_ms = None if found["at"] is None else round(float(found["at"]) * 1_000)
    return at_ms, (can_id, bytes.fromhex(digits))


def log_line(at_s: float, frame: Frame) -> str:
    """Return a frame as a line of candump's log files."""
    can_id, data = frame
    digits = f"{can_id & ~EXTENDED:08X}" if can_id & EXTENDED else f"{can_id:03X}"
    return f"({at_s:.6f}) can0 {digits}#{data.hex().upper()}"


def explain(
    rows: Map, lines: Iterable[str], unit: int | None = None
) -> tuple[list[Seen], list[str]]:
    """Return every number that a map finds in a recording, and remarks on what it could not take.

    `unit`: the source address where ids match by group, else what is added to every id; None: the
    first address heard, or 0. Raises ValueError: not a frame in it.
    """
    is_pack = all(field.number.meaning.field in FIELDS for field in rows.fields())
    ids = Ids(source_address=unit) if rows.j1939 else Ids(offset=unit or 0)
    counts = Counts()
    reader = Reader(rows, PACK_RANGES if is_pack else BANK_RANGES, ids, {}, counts)
    seen: list[Seen] = []
    remarks: dict[str, int] = {}
    frames, first_ms, source = 0, None, unit
    for line in lines:
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        found = frame_of(line)
        if found is None:
            _count(remarks, "lines without a data frame")
            continue
        at_ms, (can_id, data) = found
        frames += 1
        first_ms = at_ms if first_ms is None else first_ms
        if not reader.knows(can_id):
            continue
        if rows.j1939:
            source = can_id & 0xFF if source is None else source
            if can_id & 0xFF != source:
                _count(remarks, f"frames of source address {can_id & 0xFF:#04x}, left out")
                continue
        reading = reader.reading(can_id)
        name = reading.message.row.message
        numbers = reading.numbers(data)
        if isinstance(numbers, str):
            _count(remarks, f"frames refused: {name}: {numbers}")
            continue
        since_ms = (at_ms or 0) - (first_ms or 0)
        seen += [
            Seen(since_ms, f"{name}.{one.signal}", one.meaning.field, raw, value)
            for one, raw, value in numbers
        ]
    if not frames:
        raise ValueError("expected lines as candump prints them, got none with a frame")
    return seen, [f"{count} {what}" for what, count in remarks.items()]


def _count(remarks: dict[str, int], what: str) -> None:
    remarks[what] = remarks.get(what, 0) + 1
