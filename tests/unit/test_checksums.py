"""Checksums: every CRC gives the catalogue's check value, and an independent one agrees."""

import binascii
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.checksums import CRCS, NAMES, checksum

CHECK = {
    "CRC-8/SMBUS": 0xF4, "CRC-8/SAE-J1850": 0x4B, "CRC-8/AUTOSAR": 0xDF, "CRC-8/MAXIM-DOW": 0xA1,
    "CRC-16/ARC": 0xBB3D, "CRC-16/MODBUS": 0x4B37, "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/KERMIT": 0x2189, "CRC-16/XMODEM": 0x31C3, "CRC-16/IBM-SDLC": 0x906E,
    "CRC-16/GENIBUS": 0xD64E, "CRC-32/ISO-HDLC": 0xCBF43926, "CRC-32/ISCSI": 0xE3069283,
}  # fmt: skip


@pytest.mark.source("REVENG", "the catalogue's check values, over the digits 1 to 9")
@pytest.mark.parametrize("name", CRCS)
def test_every_crc_gives_its_check_value(name: str) -> None:
    """Over "123456789", as the catalogue prints it."""
    assert checksum(name).over(b"123456789") == CHECK[name]


@given(st.binary())
def test_the_standard_library_agrees(data: bytes) -> None:
    """Three of them, over any bytes."""
    assert checksum("CRC-32/ISO-HDLC").over(data) == zlib.crc32(data)
    assert checksum("CRC-16/IBM-3740").over(data) == binascii.crc_hqx(data, 0xFFFF)
    assert checksum("CRC-16/XMODEM").over(data) == binascii.crc_hqx(data, 0)


@given(st.binary())
def test_sums_close(data: bytes) -> None:
    """A negated sum makes the whole sum nothing; an exclusive-or of all with itself, too."""
    whole = data + bytes([checksum("sum8 negated").over(data)])
    assert checksum("sum8").over(whole) == 0
    assert checksum("sum8 inverted").over(data) ^ 0xFF == checksum("sum8").over(data)
    assert checksum("sum16 inverted").over(data) ^ 0xFFFF == checksum("sum16").over(data)
    assert (checksum("sum16 negated").over(data) + checksum("sum16").over(data)) & 0xFFFF == 0
    assert checksum("xor8").over(data + bytes([checksum("xor8").over(data)])) == 0


@given(st.sampled_from(NAMES), st.binary())
def test_a_checksum_fits_its_bytes(name: str, data: bytes) -> None:
    """As many bytes as it says."""
    one = checksum(name)
    assert 0 <= one.over(data) < 1 << 8 * one.size
