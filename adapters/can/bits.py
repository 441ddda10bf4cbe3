"""Where a number stands in a frame, worked out once: a shift and a mask for each signal.

A frame is looked at as one long integer, read from its low or its high end. A DBC numbers bits
within bytes from the lowest; a little-endian signal starts at its lowest bit and a big-endian one
at its highest.
"""

import struct
from collections.abc import Callable
from fractions import Fraction
from math import isfinite, nan

from attrs import frozen

FLOATS = {16: "<e", 32: "<f", 64: "<d"}


@frozen
class Spot:
    """The place and kind of one number in a frame of a known length."""

    shift: int  # from the end of the long integer
    length: int  # [bits]
    big: bool  # big-endian
    signed: bool
    floating: bool  # IEEE 754, of 16, 32 or 64 bits
    needs: int  # bytes a frame must have to hold it

    @property
    def low(self) -> int:
        """The lowest number it holds."""
        return -(1 << self.length - 1) if self.signed else 0

    @property
    def high(self) -> int:
        """The highest number it holds."""
        return (1 << (self.length - 1 if self.signed else self.length)) - 1

    def read(self, word: int) -> int:
        """Return the number in a frame; `word`: the frame from the end that `big` says."""
        raw = word >> self.shift & (1 << self.length) - 1
        return raw - (1 << self.length) if self.signed and raw >> self.length - 1 else raw

    def reader(self) -> Callable[[int], int]:
        """Return `read` as a function with everything worked out, for frames that come all day."""
        shift, mask = self.shift, (1 << self.length) - 1
        if not self.signed:
            return lambda word: word >> shift & mask
        sign = 1 << self.length - 1
        return lambda word: ((word >> shift & mask) ^ sign) - sign

    def write(self, word: int, raw: int) -> int:
        """Return the frame with a number in it (`low`..`high`)."""
        mask = (1 << self.length) - 1
        return word & ~(mask << self.shift) | (raw & mask) << self.shift

    def bytes_of(self, frame_bytes: int) -> range:
        """Return the bytes it touches, in a frame of so many."""
        first, last = self.shift // 8, (self.shift + self.length - 1) // 8
        if self.big:
            return range(frame_bytes - 1 - last, frame_bytes - first)
        return range(first, last + 1)

    def float_of(self, raw: int) -> Fraction | None:
        """Return what floating bits stand for, as the decimal it prints as; None: not a number."""
        number: float = struct.unpack(FLOATS[self.length], self._bytes(raw))[0]
        return Fraction(repr(number)) if isfinite(number) else None

    def bits_of(self, number: Fraction) -> int | None:
        """Return the floating bits for a number; None: too large."""
        try:
            data = struct.pack(FLOATS[self.length], float(number))
        except OverflowError:
            return None
        return int.from_bytes(data, "little")

    def not_a_number(self) -> int:
        """Return the floating bits that stand for no number."""
        return int.from_bytes(struct.pack(FLOATS[self.length], nan), "little")

    def _bytes(self, raw: int) -> bytes:
        return (raw & (1 << self.length) - 1).to_bytes(self.length // 8, "little")


def spot(
    start: int, length: int, big: bool, signed: bool, floating: bool, frame_bytes: int
) -> Spot:
    """Return the spot of a signal as a DBC describes it, in a frame of `frame_bytes`."""
    if not big:
        needs = (start + length + 7) // 8
        return Spot(start, length, False, signed and not floating, floating, needs)
    from_left = 8 * (start // 8) + 7 - start % 8  # of its highest bit
    shift = 8 * frame_bytes - from_left - length
    needs = (from_left + length + 7) // 8
    return Spot(shift, length, True, signed and not floating, floating, needs)
