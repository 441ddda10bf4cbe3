"""Frames of one pack, both ways: bytes to fields of a report, and a report to the bytes of a frame."""

import struct
from typing import Any

from attrs import frozen

from adapters.checksums import checksum
from adapters.framed.description import ORDERS, TYPES, Description, Frame, FrameField
from adapters.meaning import ALARM_SETS, LIST_RANGES, Value, merged
from aggregator import PackReport
from aggregator.report import REPORT_FLAGS

LENGTH_FORMS = {1: "B", 2: "H"}


@frozen
class Reading:
    """One number as it was read: its row, which of several, the raw number, and what it says."""

    row: FrameField
    number: int
    raw: float
    value: Value | None


class FrameCodec:
    """One kind of frame of one pack. `address`: 0..255, put where the description says `addr`."""

    def __init__(self, frame: Frame, description: Description, address: int) -> None:
        self.frame = frame
        self.start = frame.bytes_of(frame.start, address)
        self.end = frame.bytes_of(frame.end, address)
        self._order = ORDERS[description.order]
        self._sum = None if frame.checksum is None else checksum(frame.checksum)
        self._sum_size = 0 if frame.checksum is None else frame.checksum.bits // 8
        self.request = frame.bytes_of(frame.request, address)
        if self.request and description.request_checksum and self._sum is not None:
            self.request += self._sum_bytes(self.request[frame.checksum_from :])
        self._rows = [
            (row, number, struct.Struct(ORDERS.get(row.order, self._order) + TYPES[row.type]), at)
            for row in frame.fields
            for number, at in enumerate(row.places(), 1)
        ]

    def length(self, data: bytes | bytearray) -> int | None:
        """Return how long the frame is that `data` begins with; None: not to be told yet; 0: it
        cannot be one."""
        frame = self.frame
        if frame.length is not None:
            return frame.length
        if frame.length_at is None:  # digits up to an end
            at = data.find(self.end, len(self.start))
            return None if at < 0 else at + len(self.end)
        place = frame.length_at + frame.length_size
        if len(data) < place:
            return None
        form = self._order + LENGTH_FORMS[frame.length_size]
        (count,) = struct.unpack_from(form, data, frame.length_at)
        whole = int(count) + frame.length_adds
        return whole if whole >= len(self.start) + len(self.end) and whole >= place else 0

    def read(self, data: bytes) -> list[Reading] | str:
        """Return what a whole frame says, or in one line why it cannot be taken."""
        frame = self.frame
        if not data.endswith(self.end):
            return f"{frame.name}: it does not end as it should"
        if frame.text == "hex":
            try:
                inner = data[len(self.start) : len(data) - len(self.end)]
                data = self.start + bytes.fromhex(inner.decode("ascii")) + self.end
            except ValueError:
                return f"{frame.name}: not written in hex digits"
        behind = len(self.end) if frame.text == "hex" else frame.checksum_before_end
        if self._sum is not None:
            at = len(data) - behind - self._sum_size
            if at < frame.checksum_from:
                return f"{frame.name}: too short for its checksum"
            found = data[at : at + self._sum_size]
            if found != self._sum_bytes(data[frame.checksum_from : at]):
                return f"{frame.name}: wrong checksum"
        readings = []
        for row, number, form, at in self._rows:
            if at + form.size > len(data):
                return f"{frame.name}: {len(data)} bytes are too few for {row.field}"
            (raw,) = form.unpack_from(data, at)
            readings.append(Reading(row, number, raw, row.value(raw)))
        return readings

    def _sum_bytes(self, data: bytes) -> bytes:
        assert self._sum is not None
        order = "little" if self.frame.checksum_order == "little" else "big"
        return self._sum(data).to_bytes(self._sum_size, order)  # type: ignore[arg-type]  # a literal

    def write(self, report: PackReport) -> bytes:
        """Return the frame that says what a report says, as the pack would send it.

        What the report does not know is written as the row's first no-data number, or as 0.
        """
        frame = self.frame
        size = frame.length or max(at + form.size for _, _, form, at in self._rows)
        behind = len(self.end) if frame.length is None or frame.text else frame.checksum_before_end
        if frame.length is None:
            size += behind + self._sum_size
        data = bytearray(size)
        data[: len(self.start)] = self.start
        for row, number, form, at in self._rows:
            old = form.unpack_from(data, at)[0]
            form.pack_into(data, at, _number_for(row, number, report, old, form))
        if self.end:
            data[len(data) - len(self.end) :] = self.end
        if frame.length_at is not None:
            form_of_length = self._order + LENGTH_FORMS[frame.length_size]
            struct.pack_into(form_of_length, data, frame.length_at, size - frame.length_adds)
        if self._sum is not None:
            at = len(data) - behind - self._sum_size
            data[at : at + self._sum_size] = self._sum_bytes(bytes(data[frame.checksum_from : at]))
        if frame.text == "hex":
            inner = data[len(self.start) : len(data) - len(self.end)]
            return self.start + inner.hex().upper().encode() + self.end
        return bytes(data)


def fields_of(readings: list[Reading]) -> dict[str, object]:
    """Return the fields that a frame's readings say together."""
    rows: list[tuple[Any, Value | None]] = [(_Numbered(one), one.value) for one in readings]
    return merged(rows)


class _Numbered:
    """A reading's row as `merged` wants it: with its place in the list."""

    __slots__ = ("field", "number")

    def __init__(self, reading: Reading) -> None:
        self.field = reading.row.field
        first = reading.row.number or 1
        many = reading.row.count > 1 or reading.row.number is not None
        self.number = first + reading.number - 1 if many else None


def _number_for(
    row: FrameField, number: int, report: PackReport, old: float, form: struct.Struct
) -> float:
    value: Any = getattr(report, row.field)
    if row.field in ALARM_SETS:
        names = set(value or ())
        return int(old) | sum(1 << int(bit) for bit, name in row.bits.items() if name in names)
    if row.field in LIST_RANGES and value is not None:
        at = (row.number or 1) - 1 + number - 1
        value = value[at] if at < len(value) else None
    if value is None:
        return _fitting(row.no_data[0] if row.no_data else 0, form)
    if row.field in REPORT_FLAGS:
        choice = (row.true if value else row.false)[0]
        return int(old) | choice << row.bit if row.bit is not None else choice
    if form.format[-1] in "fd":
        return float(row.raw(value))
    return _fitting(row.raw_rounded(value), form)


def _fitting(number: float, form: struct.Struct) -> float:
    """Return the nearest number that the type can carry."""
    if form.format[-1] in "fd":
        return float(number)
    bits = 8 * form.size
    signed = form.format[-1].islower()
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    return max(low, min(high, int(number)))
