"""Checksums by name: the CRC catalogue's, sums and exclusive-or.

CRC names and parameters are those of the catalogue of parametrised CRC algorithms (Greg Cook,
reveng.sourceforge.io/crc-catalogue), here the ones that small buses use; crcmod does the work.
"""

from collections.abc import Callable

import crcmod
from attrs import frozen

# name: bits, polynomial, initial value, reflected, final exclusive-or
CRCS: dict[str, tuple[int, int, int, bool, int]] = {
    "CRC-8/SMBUS": (8, 0x07, 0x00, False, 0x00),
    "CRC-8/SAE-J1850": (8, 0x1D, 0xFF, False, 0xFF),
    "CRC-8/AUTOSAR": (8, 0x2F, 0xFF, False, 0xFF),
    "CRC-8/MAXIM-DOW": (8, 0x31, 0x00, True, 0x00),
    "CRC-16/ARC": (16, 0x8005, 0x0000, True, 0x0000),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, 0x0000),
    "CRC-16/IBM-3740": (16, 0x1021, 0xFFFF, False, 0x0000),
    "CRC-16/KERMIT": (16, 0x1021, 0x0000, True, 0x0000),
    "CRC-16/XMODEM": (16, 0x1021, 0x0000, False, 0x0000),
    "CRC-16/IBM-SDLC": (16, 0x1021, 0xFFFF, True, 0xFFFF),
    "CRC-16/GENIBUS": (16, 0x1021, 0xFFFF, False, 0xFFFF),
    "CRC-32/ISO-HDLC": (32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),
    "CRC-32/ISCSI": (32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF),
}


@frozen
class Checksum:
    """How many bytes it has, and how it is worked out over bytes."""

    size: int
    over: Callable[[bytes], int]


def _xor(data: bytes) -> int:
    result = 0
    for byte in data:
        result ^= byte
    return result


SIMPLE: dict[str, Checksum] = {
    "sum8": Checksum(1, lambda data: sum(data) & 0xFF),  # of all bytes
    "sum8 negated": Checksum(1, lambda data: -sum(data) & 0xFF),  # makes the whole sum 0
    "sum8 inverted": Checksum(1, lambda data: ~sum(data) & 0xFF),  # ones' complement
    "sum16": Checksum(2, lambda data: sum(data) & 0xFFFF),
    "sum16 negated": Checksum(2, lambda data: -sum(data) & 0xFFFF),
    "sum16 inverted": Checksum(2, lambda data: ~sum(data) & 0xFFFF),
    "xor8": Checksum(1, _xor),
}

NAMES = (*SIMPLE, *CRCS)


def checksum(name: str) -> Checksum:
    """Return a checksum by its name, one of NAMES. Raises KeyError."""
    if name in SIMPLE:
        return SIMPLE[name]
    bits, polynomial, initial, reflected, final = CRCS[name]
    # crcmod's initial value is the catalogue's, exclusive-or the final one.
    over = crcmod.mkCrcFun(1 << bits | polynomial, initial ^ final, reflected, final)
    return Checksum(bits // 8, over)
