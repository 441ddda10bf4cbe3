"""An owner's description of frames on a serial line: TOML into records, every mistake in one pass.

    kind = "frames"
    order = "big"                 # of bytes in numbers, unless a field says otherwise

    [[frames]]
    name = "state"                # any; one part of a report
    request = "AA addr 10"        # asks for it; left out: it comes by itself
    every_ms = 1000               # how often to ask
    start = "AA addr 90"          # how it begins; `addr` is the pack's address
    length = 24                   # of the whole frame [bytes]; or length_at, length_size, length_adds
    end = "0D"                    # how it ends, if it does so always
    text = ""                     # "hex": what is between start and end is written in hex digits
    checksum = { kind = "crc", name = "CRC-16/MODBUS" }   # left out: none; see checksums.py
    checksum_order = "little"
    checksum_from = 0             # first byte that it covers; it covers all up to itself
    checksum_before_end = 0       # bytes of the frame behind it
    keep_ms = 60000               # slow: counts so long, and a report does not wait for it

      [[frames.fields]]
      at = 4                      # from the start of the frame, 0 first
      type = "u16"
      field = "voltage_mv"        # and the rest of a row's meaning: see meaning.py
      count = 16                  # for lists: so many in a row
      step = 2                    # from one to the next [bytes]

Offsets count in the frame as it comes, or, with text = "hex", in the bytes that the digits stand for.
"""

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from attrs import field as attr
from attrs import frozen

from adapters.checksums import ChecksumSettings
from adapters.meaning import ALARM_SETS, FIELDS, LIST_RANGES, Meaning, complaints_of
from adapters.structure import structured
from adapters.toml_file import Complaint, Place, raise_if_any, read_toml
from aggregator.errors import told
from aggregator.report import MOST_CELLS

LONGEST_FRAME = 1024
MOST_FRAMES, MOST_FIELDS = 32, 200
TYPES = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q",
         "i64": "q", "f32": "f", "f64": "d"}  # fmt: skip
ORDERS = {"big": ">", "little": "<"}
ADDRESS = "addr"

Order = Literal["big", "little"]


@frozen(kw_only=True)
class FrameField(Meaning):
    """One number in a frame: where it stands, and what it means."""

    at: int
    type: str = "u16"
    order: str = ""
    count: int = 1
    step: int | None = None

    def places(self) -> Iterator[int]:
        """Yield where each of its numbers stands."""
        step = self.step or struct.calcsize(TYPES[self.type])
        for number in range(self.count):
            yield self.at + number * step


@frozen(kw_only=True)
class Frame:
    """One kind of frame. See the module's text."""

    name: str
    start: str
    fields: list[FrameField] = attr(factory=list)
    request: str = ""
    every_ms: int = 1_000
    length: int | None = None
    length_at: int | None = None
    length_size: int = 1
    length_adds: int = 0
    end: str = ""
    text: str = ""
    checksum: ChecksumSettings | None = None
    checksum_order: str = "big"
    checksum_from: int = 0
    checksum_before_end: int = 0
    keep_ms: int | None = None

    def bytes_of(self, text: str, address: int) -> bytes:
        """Return bytes written in hex, with the address put in. Raises ValueError."""
        parts = [f"{address:02x}" if part == ADDRESS else part for part in text.split()]
        return bytes.fromhex("".join(parts))


@frozen(kw_only=True)
class Description:
    """All frames of one make of board."""

    kind: str
    frames: list[Frame]
    order: str = "big"
    request_checksum: bool = False  # requests end in the frame's checksum, too


def load_map(path: Path) -> Description:
    """Return a description from a file. Raises BadFileError with every complaint."""
    plain, lines = read_toml(path)
    complaints: list[Complaint] = []
    made = structured(plain, Description, (), complaints)
    if made is not None:
        complaints += list(_impossible(made))
    raise_if_any(complaints, path, lines)
    assert made is not None  # or there were complaints
    return made


def _impossible(made: Description) -> Iterator[Complaint]:
    if made.kind != "frames":
        yield Complaint(("kind",), '"frames"', told(made.kind))
    if made.order not in ORDERS:
        yield Complaint(("order",), "big or little", told(made.order))
    if not 1 <= len(made.frames) <= MOST_FRAMES:
        yield Complaint(("frames",), f"1..{MOST_FRAMES} frames", str(len(made.frames)))
    if made.frames and all(frame.keep_ms is not None for frame in made.frames):
        yield Complaint(("frames",), "one frame without keep_ms", "none",
                        "a report is handed over when those have come")  # fmt: skip
    for number, frame in enumerate(made.frames):
        place: Place = ("frames", number)
        if frame.name in [other.name for other in made.frames[:number]]:
            yield Complaint((*place, "name"), "every name once", told(frame.name))
        yield from _bad_frame(frame, place)
        for row, field in enumerate(frame.fields[:MOST_FIELDS]):
            yield from _bad_field(field, frame, (*place, "fields", row))


def _bad_frame(frame: Frame, place: Place) -> Iterator[Complaint]:
    for key in ("start", "request", "end"):
        try:
            frame.bytes_of(getattr(frame, key), 0)
        except ValueError:
            yield Complaint((*place, key), "bytes in hex, such as AA 01, or addr",
                            told(getattr(frame, key)))  # fmt: skip
    if not frame.start.strip():
        yield Complaint((*place, "start"), "at least one byte", "nothing", "how does it begin?")
    if not 1 <= len(frame.fields) <= MOST_FIELDS:
        yield Complaint((*place, "fields"), f"1..{MOST_FIELDS} fields", str(len(frame.fields)))
    if frame.text not in ("", "hex"):
        yield Complaint((*place, "text"), '"" or "hex"', told(frame.text))
    if frame.text == "hex" and not frame.end:
        yield Complaint((*place, "end"), "how the digits end", "nothing")
    knows_length = (frame.length is not None) + (frame.length_at is not None)
    if knows_length != 1 and not (frame.text == "hex" and knows_length == 0):
        yield Complaint((*place, "length"), "either length or length_at", f"{knows_length} of them")
    for key, low, high in (
        ("length", 1, LONGEST_FRAME), ("length_at", 0, 255), ("length_size", 1, 2),
        ("length_adds", -LONGEST_FRAME, LONGEST_FRAME), ("every_ms", 50, 600_000),
        ("keep_ms", 100, 3_600_000), ("checksum_from", 0, 255), ("checksum_before_end", 0, 16),
    ):  # fmt: skip
        value = getattr(frame, key)
        if value is not None and not low <= value <= high:
            yield Complaint((*place, key), f"{low}..{high}", str(value))
    if frame.checksum_order not in ORDERS:
        yield Complaint((*place, "checksum_order"), "big or little", told(frame.checksum_order))


def _bad_field(field: FrameField, frame: Frame, place: Place) -> Iterator[Complaint]:
    yield from complaints_of(field, FIELDS, place)
    if field.type not in TYPES:
        yield Complaint((*place, "type"), f"one of {', '.join(TYPES)}", told(field.type))
        return
    if field.order not in ("", *ORDERS):
        yield Complaint((*place, "order"), "big or little", told(field.order))
    if field.type[0] == "f" and (field.bit is not None or field.field in ALARM_SETS):
        yield Complaint((*place, "type"), "a whole number, to take bits from", field.type)
    if not 1 <= field.count <= MOST_CELLS:
        yield Complaint((*place, "count"), f"1..{MOST_CELLS}", str(field.count))
    elif field.count > 1 and field.field not in LIST_RANGES:
        yield Complaint((*place, "count"), "1: only lists have several", str(field.count))
    if field.step is not None and not 1 <= field.step <= 64:
        yield Complaint((*place, "step"), "1..64 bytes", str(field.step))
    elif 1 <= field.count <= MOST_CELLS:
        yield from _bad_places(field, frame, place)


def _bad_places(field: FrameField, frame: Frame, place: Place) -> Iterator[Complaint]:
    """Does it lie within its frame? Its count must be right: each element has a place."""
    ends = max(field.places()) + struct.calcsize(TYPES[field.type])
    last = LONGEST_FRAME if frame.length is None else frame.length
    if frame.checksum is not None and frame.length is not None:
        last -= frame.checksum.bits // 8 + frame.checksum_before_end
    if not 0 <= field.at < ends <= last:
        yield Complaint(
            (*place, "at"), f"bytes within the frame, up to {last}", f"{field.at}..{ends}"
        )
