"""JSON lines with a checksum: a changed digit is noticed; without one it is asked for, if so set."""

import binascii
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.jsonlines.check import crc_of, suffix
from adapters.jsonlines.lines_in import LinesIn
from adapters.jsonlines.opposite import report_line
from aggregator import PackReport
from tests.gateway import reading
from tests.sources import ROOT

LINE = report_line(reading("oak", 7), checksum=True)


@pytest.mark.source("REVENG", "CRC-16/IBM-3740, check value")
def test_the_code_is_the_catalogue_s() -> None:
    """Over the digits 1 to 9."""
    assert crc_of(b"123456789", 0, 9) == 0x29B1


@given(st.binary(max_size=100), st.binary(max_size=5))
def test_the_standard_library_agrees(data: bytes, before: bytes) -> None:
    """Over any bytes, wherever they stand."""
    assert crc_of(before + data, len(before), len(before) + len(data)) == binascii.crc_hqx(
        data, 0xFFFF
    )


@pytest.mark.parametrize("checksums", [False, True])
def test_a_right_line_is_taken(checksums: bool) -> None:
    """In capitals or not, with a carriage return or not, in pieces or whole."""
    head, digits = LINE.rstrip().rsplit(b"*", 1)
    for line in (LINE, head + b"*" + digits.lower() + b"\n", LINE.rstrip() + b"\r\n"):
        lines = LinesIn(checksums=checksums)
        (report,) = [*lines.received(line[:50], 0), *lines.received(line[50:], 0)]
        assert isinstance(report, PackReport)
        assert (report.pack, report.current_ma) == ("oak", 20_000)


@given(st.integers(0, len(LINE) - 2), st.integers(0, 255), st.booleans())
def test_no_changed_byte_makes_another_report(at: int, byte: int, checksums: bool) -> None:
    """A line with one byte changed is refused, or is the same report. (A star that is gone leaves a
    line without a checksum, which is no JSON.)"""
    changed = LINE[:at] + bytes([byte]) + LINE[at + 1 :]
    for record in LinesIn(checksums=checksums).received(changed, 0):
        assert isinstance(record, PackReport)
        right = LinesIn().received(LINE, 0)[0]
        assert all(getattr(record, name) == getattr(right, name) for name in PackReport.__slots__)


def test_a_line_without_one_is_refused_if_so_set() -> None:
    """The answer says what is missing."""
    lines = LinesIn(checksums=True)
    assert list(lines.received(report_line(reading("oak", 7)), 0)) == []
    assert lines.counts.trouble == "expected a checksum, such as *31C3, at the end"
    assert len(LinesIn().received(report_line(reading("oak", 7)), 0)) == 1


def test_the_page_s_line_is_right() -> None:
    """The example of docs/how-to/json-lines.md."""
    page = (ROOT / "docs" / "how-to" / "json-lines.md").read_text(encoding="utf-8")
    found = re.search(r"`(\{[^`]*\})(\*[0-9A-F]{4})`", page)
    assert found is not None
    assert suffix(found[1].encode()).decode() == found[2]
