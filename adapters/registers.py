"""Blocks of 16-bit registers: what moves on such a bus, and how numbers lie in them.

Shared by every adapter that reads or serves registers, so that any of them can be served by one
transport. Records that move (the items of links.Talker):

    Ask -> Answer        we are the client: read a block, or write one
    Image -> Written     we are the server: what may be read; what somebody wrote
    Idle                 nothing was written for a while: talkers can notice silence

Source of the limits (125 registers a read, 123 a write): MODBUS.
"""

import struct
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from attrs import frozen

from aggregator import SystemView

LARGEST_READ, LARGEST_WRITE = 125, 123  # registers in one request
LAST_ADDRESS = 65_535

# Functions of the standard that read, and what they read.
COILS, DISCRETE_INPUTS, HOLDING, INPUT = 1, 2, 3, 4
WRITE_ONE, WRITE_MANY = 6, 16
READS = (COILS, DISCRETE_INPUTS, HOLDING, INPUT)
BITS = (COILS, DISCRETE_INPUTS)  # here a "register" is one bit, 0 or 1

OTHERS_SPEAK = ("quiet", "follower", "candidate")  # roles in which another board has the word

ORDERS = ("high_first", "low_first")


@frozen
class Ask:
    """One request of a client. Addresses as on the wire, from 0."""

    device: int
    function: int
    address: int
    count: int
    words: tuple[int, ...] = ()  # what is written; nothing: a read


@frozen
class Answer:
    """What came of an `Ask`: the words read; None: nothing usable, `trouble` says why."""

    ask: Ask
    words: tuple[int, ...] | None
    trouble: str = ""


@frozen
class Image:
    """All that one device of a server holds, swapped as a whole. `tables`: function -> address ->
    word; None: the device is there, but has nothing to say now (reads get an exception)."""

    device: int
    tables: Mapping[int, Mapping[int, int]] | None
    writable: frozenset[int] = frozenset()  # addresses of holding registers


@frozen
class Written:
    """What a client wrote to one device of a server, address by address."""

    device: int
    words: tuple[tuple[int, int], ...]


@frozen
class Idle:
    """Nothing was written to a server for a while."""


ClientItem = Ask | Answer
ServerItem = Image | Written | Idle


def limits_of(view: SystemView, may_speak: bool) -> tuple[object, ...]:
    """Return what must not wait for the next image: a change here is shown at once."""
    return (
        may_speak,
        view.charge_current_limit_ma,
        view.discharge_current_limit_ma,
        view.charge_voltage_limit_mv,
        view.discharge_voltage_limit_mv,
    )


def within(low: int, high: int) -> Any:
    """Return an attrs validator for whole numbers in low..high; None passes, where it is allowed."""

    def check(_: object, __: object, value: int | None) -> None:
        if value is not None and not low <= value <= high:
            raise ValueError(f"{low}..{high}")

    return check


def who(_: object, __: object, value: str) -> None:
    """Raise ValueError unless a text can stand for who asks (with " watchdog" behind it)."""
    if not 1 <= len(value) <= 20 or not all(" " <= one <= "~" for one in value):
        raise ValueError("1..20 plain characters")


# ---- Numbers in registers. Type: (registers, lowest, highest); f32 is IEEE 754.
TYPES: dict[str, tuple[int, int, int]] = {
    "u16": (1, 0, 0xFFFF),
    "i16": (1, -0x8000, 0x7FFF),
    "u32": (2, 0, 0xFFFF_FFFF),
    "i32": (2, -0x8000_0000, 0x7FFF_FFFF),
    "f32": (2, -(1 << 127), 1 << 127),
}
F32_NAN = (0x7FC0, 0x0000)


@frozen
class Layout:
    """How one number lies in its registers. `word_order`: which register of two comes first;
    `byte_order`: which byte of each register (the standard says the high one)."""

    type: str
    word_order: str = "high_first"  # one of ORDERS
    byte_order: str = "high_first"

    @property
    def size(self) -> int:
        """How many registers it takes."""
        return TYPES[self.type][0]

    @property
    def lowest(self) -> int:
        """The lowest number it carries."""
        return TYPES[self.type][1]

    @property
    def highest(self) -> int:
        """The highest number it carries."""
        return TYPES[self.type][2]

    def number(self, words: Sequence[int]) -> int | float:
        """Return the number in `size` words."""
        value = 0
        for word in words if self.word_order == "high_first" else reversed(words):
            value = value << 16 | (word if self.byte_order == "high_first" else swapped(word))
        if self.type == "f32":
            return as_float(value)
        low, high = TYPES[self.type][1:]
        return value - ((high + 1) << 1) if low < 0 and value > high else value

    def words(self, number: int) -> tuple[int, ...]:
        """Return the words of a number in `lowest..highest`; for f32: its 32 bits as an integer."""
        value = number & (0xFFFF_FFFF if self.size == 2 else 0xFFFF)
        words: tuple[int, ...] = (value >> 16, value & 0xFFFF) if self.size == 2 else (value,)
        if self.byte_order == "low_first":
            words = tuple(swapped(word) for word in words)
        return words if self.word_order == "high_first" else words[::-1]


def swapped(word: int) -> int:
    """Return a register with its bytes exchanged."""
    return (word & 0xFF) << 8 | word >> 8


def as_float(bits: int) -> float:
    """Return the number in 32 bits."""
    return float(struct.unpack(">f", bits.to_bytes(4, "big"))[0])


def float_bits(value: Fraction, side: int) -> int:
    """Return the 32 bits of the float nearest to `value`; `side` -1: not above it, 1: not below."""
    bits = int.from_bytes(struct.pack(">f", float(value)), "big")
    error = Fraction(as_float(bits)) - value
    if side == 0 or error * side >= 0:
        return bits
    if as_float(bits) == 0:
        return 0x8000_0001 if side < 0 else 1  # the least number on that side
    away = (as_float(bits) > 0) == (side > 0)  # away from zero: the next larger pattern
    return bits + 1 if away else bits - 1
