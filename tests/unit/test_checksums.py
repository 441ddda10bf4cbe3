"""Checksums: every CRC gives the catalogue's check value, and an independent one agrees."""

import binascii
import zlib
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.checksums import CATALOGUE, ChecksumSettings, checksum

CHECK = {
    "CRC-8/SMBUS": 0xF4, "CRC-8/SAE-J1850": 0x4B, "CRC-8/AUTOSAR": 0xDF,
    "CRC-16/ARC": 0xBB3D, "CRC-16/MODBUS": 0x4B37, "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/KERMIT": 0x2189, "CRC-16/XMODEM": 0x31C3, "CRC-16/IBM-SDLC": 0x906E,
    "CRC-16/GENIBUS": 0xD64E, "CRC-32/ISO-HDLC": 0xCBF43926, "CRC-32/ISCSI": 0xE3069283,
    "CRC-32/AUTOSAR": 0x1697D06A,
}  # fmt: skip


@pytest.mark.source("REVENG", "the catalogue's check values, over the digits 1 to 9")
@pytest.mark.parametrize("name", CATALOGUE)
def test_every_crc_gives_its_check_value(name: str) -> None:
    """Over "123456789", as the catalogue prints it."""
    assert crc(name)(b"123456789") == CHECK[name]


def crc(name: str) -> Callable[[bytes], int]:
    """Return a catalogue's code."""
    return checksum(ChecksumSettings(kind="crc", name=name))


def total(**settings: object) -> Callable[[bytes], int]:
    """Return a sum."""
    return checksum(ChecksumSettings(kind="sum", **settings))  # type: ignore[arg-type]  # plain


@given(st.binary())
def test_the_standard_library_agrees(data: bytes) -> None:
    """Three of them, over any bytes."""
    assert crc("CRC-32/ISO-HDLC")(data) == zlib.crc32(data)
    assert crc("CRC-16/IBM-3740")(data) == binascii.crc_hqx(data, 0xFFFF)
    assert crc("CRC-16/XMODEM")(data) == binascii.crc_hqx(data, 0)


@given(st.binary())
def test_sums_close(data: bytes) -> None:
    """A negated sum makes the whole sum nothing; an exclusive-or of all with itself, too."""
    assert total()(data + bytes([total(negated=True)(data)])) == 0
    assert total(final_xor=0xFF)(data) ^ 0xFF == total()(data)
    assert (total(width=16, negated=True)(data) + total(width=16)(data)) & 0xFFFF == 0
    xor = checksum(ChecksumSettings(kind="xor"))
    assert xor(data + bytes([xor(data)])) == 0


@given(st.sampled_from(sorted(CATALOGUE)), st.binary())
def test_own_numbers_are_as_good_as_a_name(name: str, data: bytes) -> None:
    """A code described by its numbers is the catalogue's code of that name."""
    width, polynomial, start, reflected, final_xor = CATALOGUE[name]
    own = ChecksumSettings(kind="crc", width=width, polynomial=polynomial, start=start,
                           reflected=reflected, final_xor=final_xor)  # fmt: skip
    assert checksum(own)(data) == crc(name)(data) < 1 << width
