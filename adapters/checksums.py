"""Checksums of frames, as the trade's catalogues name and describe them.

    sum     bytes added up                     xor     bytes combined bit by bit
    crc     any cyclic code of 8, 16 or 32 bits, by its catalogue name or by its own numbers

A catalogue's row is (width, polynomial, start, reflected, final xor); its check value is the code of
the nine characters 123456789. Names and numbers are those of the catalogue of parametrised CRC
algorithms that crcmod's and other libraries' tables follow.
"""

from collections.abc import Callable
from typing import Literal

import crcmod
from attrs import field as attr
from attrs import frozen

CATALOGUE: dict[str, tuple[int, int, int, bool, int]] = {
    "CRC-8/SMBUS": (8, 0x07, 0x00, False, 0x00),
    "CRC-8/SAE-J1850": (8, 0x1D, 0xFF, False, 0xFF),
    "CRC-8/AUTOSAR": (8, 0x2F, 0xFF, False, 0xFF),
    "CRC-16/ARC": (16, 0x8005, 0x0000, True, 0x0000),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, 0x0000),
    "CRC-16/IBM-3740": (16, 0x1021, 0xFFFF, False, 0x0000),
    "CRC-16/KERMIT": (16, 0x1021, 0x0000, True, 0x0000),
    "CRC-16/XMODEM": (16, 0x1021, 0x0000, False, 0x0000),
    "CRC-16/IBM-SDLC": (16, 0x1021, 0xFFFF, True, 0xFFFF),
    "CRC-16/GENIBUS": (16, 0x1021, 0xFFFF, False, 0xFFFF),
    "CRC-32/ISO-HDLC": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),
    "CRC-32/ISCSI": (32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF),
    "CRC-32/AUTOSAR": (32, 0xF4ACFB13, 0xFFFFFFFF, True, 0xFFFFFFFF),
}
WIDTHS = (8, 16, 32)


def _named(_: object, __: object, name: str | None) -> None:
    if name is not None and name not in CATALOGUE:
        raise ValueError("one of " + ", ".join(CATALOGUE))


def _width(_: object, __: object, width: int) -> None:
    if width not in WIDTHS:
        raise ValueError("8, 16 or 32")


def _bytes(_: object, __: object, values: list[int]) -> None:
    if not all(0 <= one <= 255 for one in values):
        raise ValueError("bytes, 0 to 255")


@frozen(kw_only=True)
class ChecksumSettings:
    """How a checksum is made. Its numbers are of `width` bits."""

    kind: Literal["sum", "xor", "crc"]
    name: str | None = attr(default=None, validator=_named)  # of a catalogue's code; kind crc
    width: int = attr(default=8, validator=_width)  # 8, 16 or 32 bits; xor: 8
    polynomial: int = 0  # kind crc without a name; the highest bit is left out
    start: int = 0  # what it starts from
    reflected: bool = False  # kind crc: lowest bit first, in and out
    final_xor: int = 0  # applied at the end; all ones turn a sum into its complement
    negated: bool = False  # kind sum: the two's complement, so that everything adds up to 0
    prefix: list[int] = attr(factory=list, validator=_bytes)  # bytes put before, never sent

    def __attrs_post_init__(self) -> None:
        if self.kind == "crc" and self.name is None and not self.polynomial & 1:
            raise ValueError("a catalogue name or an odd polynomial")
        if self.kind == "xor" and self.width != 8:
            raise ValueError("a width of 8 for xor")
        top = (1 << self.bits) - 1
        if not all(0 <= one <= top for one in (self.polynomial, self.start, self.final_xor)):
            raise ValueError(f"polynomial, start and final_xor from 0 to {top}")

    @property
    def bits(self) -> int:
        """How wide the checksum is [bits]."""
        return CATALOGUE[self.name][0] if self.name is not None else self.width


def checksum(settings: ChecksumSettings) -> Callable[[bytes], int]:
    """Return the function that makes this checksum: bytes -> a number of `settings.bits` bits."""
    prefix = bytes(settings.prefix)
    if settings.kind == "crc":
        code = _crc(settings)
        return lambda data: code(prefix + data)
    mask = (1 << settings.bits) - 1

    def plain(data: bytes) -> int:
        total = settings.start
        for one in prefix + data:
            total = total + one if settings.kind == "sum" else total ^ one
        return ((-total if settings.negated else total) & mask) ^ settings.final_xor

    return plain


def _crc(settings: ChecksumSettings) -> Callable[[bytes], int]:
    width, polynomial, start, reflected, final_xor = (
        CATALOGUE[settings.name]
        if settings.name is not None
        else (
            settings.width,
            settings.polynomial,
            settings.start,
            settings.reflected,
            settings.final_xor,
        )
    )
    # crcmod wants what it starts from with the final xor already in it, and mirrored if reflected.
    start = int(f"{start:0{width}b}"[::-1], 2) if reflected else start
    made: Callable[[bytes], int] = crcmod.mkCrcFun(
        (1 << width) | polynomial, initCrc=start ^ final_xor, rev=reflected, xorOut=final_xor
    )
    return made
