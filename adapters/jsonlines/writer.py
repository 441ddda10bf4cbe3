"""Writes a view as one line of JSON into a buffer that is used again. Board-safe.

Byte for byte what `json_text` of the core would give, without the dicts and texts on the way: once
its words are known and the buffer has grown, a line costs no more than itself.
"""

from aggregator.fields import ROW_FIELDS, VIEW_FIELDS
from aggregator.plain import json_text
from aggregator.report import ALARMS
from aggregator.view import Finding, PackRow, SystemView

# What a charger or an inverter would obey.
OBEYED = (
    "charge_allowed",
    "discharge_allowed",
    "charge_voltage_limit_mv",
    "discharge_voltage_limit_mv",
    "charge_current_limit_ma",
    "discharge_current_limit_ma",
)
ALL_FIELDS = VIEW_FIELDS + ("packs", "findings")
ROWS_SORTED = sorted(ROW_FIELDS)
KEPT_WORDS = 200  # names of rules, stages, packs
GROWTH = 256
ZERO = 48


class ViewWriter:
    """Writes these fields of views, and `may_speak`; one of ALL_FIELDS each."""

    __slots__ = ("_buffer", "_fields", "_keys", "_length", "_row_keys", "_words")

    def __init__(self, fields: list[str]) -> None:
        self._fields = sorted(set(fields + ["may_speak"]))
        self._keys = _keys(self._fields)
        self._row_keys = _keys(ROWS_SORTED)
        self._words: dict[str, bytes] = {}
        self._buffer = bytearray(GROWTH)
        self._length = 0

    def line(self, view: SystemView, may_speak: bool) -> bytes:
        """Return the line. Without `may_speak`, what a charger would obey is null."""
        self._length = 0
        self._put(b'{"view":')
        for number in range(len(self._fields)):
            name = self._fields[number]
            self._put(self._keys[number])
            if name == "may_speak":
                self._value(may_speak)
            elif name in OBEYED and not may_speak:
                self._value(None)
            elif name == "warnings":
                self._alarms(view.warning_bits)
            elif name == "protections":
                self._alarms(view.protection_bits)
            elif name == "packs":
                self._rows(view.packs)
            elif name == "findings":
                self._findings(view.findings)
            else:
                self._value(getattr(view, name))
        self._put(b"}}\n")
        return bytes(memoryview(self._buffer)[: self._length])

    def _put(self, text: bytes) -> None:
        buffer, length = self._buffer, self._length
        while length + len(text) > len(buffer):
            buffer.extend(bytes(GROWTH))
        for byte in text:
            buffer[length] = byte
            length += 1
        self._length = length

    def _value(self, value: object) -> None:
        """Write null, true, false, a whole number or a text."""
        if value is None:
            self._put(b"null")
        elif value is True:
            self._put(b"true")
        elif value is False:
            self._put(b"false")
        elif isinstance(value, str):
            self._word(value)
        else:
            self._number(value)  # type: ignore[arg-type]  # nothing else is in a view

    def _word(self, text: str) -> None:
        word = self._words.get(text)
        if word is None:
            word = json_text(text).encode()
            if len(self._words) < KEPT_WORDS:
                self._words[text] = word
        self._put(word)

    def _number(self, value: int) -> None:
        """Write a number: its digits from the last one, then turned round."""
        if value < 0:
            self._put(b"-")
            value = -value
        start = self._length
        while True:
            self._put(b"0")
            self._buffer[self._length - 1] = ZERO + value % 10
            value //= 10
            if value == 0:
                break
        end = self._length - 1
        buffer = self._buffer
        while start < end:
            first = buffer[start]
            buffer[start] = buffer[end]
            buffer[end] = first
            start += 1
            end -= 1

    def _alarms(self, bits: int) -> None:
        opening = b"["
        for bit in range(len(ALARMS)):
            if bits >> bit & 1:
                self._put(opening)
                self._word(ALARMS[bit])
                opening = b","
        self._put(b"[]" if bits == 0 else b"]")

    def _rows(self, rows: list[PackRow]) -> None:
        self._put(b"[")
        for number in range(len(rows)):
            if number:
                self._put(b",")
            for key in range(len(ROWS_SORTED)):
                self._put(self._row_keys[key])
                self._value(getattr(rows[number], ROWS_SORTED[key]))
            self._put(b"}")
        self._put(b"]")

    def _findings(self, findings: list[Finding]) -> None:
        self._put(b"[")
        for number in range(len(findings)):
            self._put(b',{"name":' if number else b'{"name":')
            self._value(findings[number].name)
            self._put(b',"pack":')
            self._value(findings[number].pack)
            self._put(b"}")
        self._put(b"]")


def _keys(names: list[str]) -> list[bytes]:
    """Return each name as the beginning of a pair, with what stands before it."""
    keys: list[bytes] = []
    for name in names:
        keys.append((("," if keys else "{") + '"' + name + '":').encode())
    return keys
