"""Recordings of a CAN bus: the lines that are read, and whose frames are explained."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.can.candump import explain, frame_of, log_line
from adapters.can.map_file import EXTENDED, Map
from tests.can_map import dbc_message, made


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("(1700000000.123456) can0 19F21423#00C01457", (1_700_000_000_123, 0x19F21423 | EXTENDED, "00c01457")),
        ("(1.5) vcan0 123#", (1_500, 0x123, "")),
        ("(1.5) can0 123#DEAD R", (1_500, 0x123, "dead")),  # with its direction
        ("(1.5) can0 123##1" + "AB" * 12, (1_500, 0x123, "ab" * 12)),  # CAN FD
        ("  can0  18FF0600   [8]  50 04 81 03 32 03 2B 9C", (None, 0x18FF0600 | EXTENDED, "5004810332032b9c")),
        (" (000.000120)  can0  123   [2]  01 FF", (0, 0x123, "01ff")),
        ("(1.5) can0 123#R", None),
        ("(1.5) can0 123#ABC", None),
        ("(1.5) can0 1234#AB", None),
        ("can0", None),
        ("", None),
    ],
)  # fmt: skip
def test_lines_of_candump(line: str, expected: tuple[int | None, int, str] | None) -> None:
    """Log files and what is shown on a terminal, with and without times; no remote frames."""
    found = frame_of(line)
    assert (found and (found[0], found[1][0], found[1][1].hex())) == expected


@given(
    at_ms=st.integers(0, 1 << 40),
    can_id=st.integers(0, 0x7FF) | st.integers(0, 0x1FFFFFFF).map(lambda one: one | EXTENDED),
    data=st.binary(max_size=64),
)
def test_a_frame_comes_back_from_its_line(at_ms: int, can_id: int, data: bytes) -> None:
    """What is written is read again."""
    assert frame_of(log_line(at_ms / 1_000, (can_id, data))) == (at_ms, (can_id, data))


@given(line=st.text(max_size=80))
def test_any_line_is_read_or_not(line: str) -> None:
    """No line breaks the reading."""
    frame_of(line)
    frame_of("(1.0) can0 " + line)


@pytest.fixture
def rows(tmp_path: Path) -> Map:
    """A map of one signal, with J1939 ids."""
    state = dbc_message("STATE", 0x18FF5020 | EXTENDED, 2, ['Volts : 0|16@1+ (0.1,0) [0|0] "V"'])
    return made(
        tmp_path, state, 'ids = "j1939"\n[[messages]]\nmessage = "STATE"\n'
        'signals = [{ signal = "Volts", field = "voltage_mv" }]\n',
    )  # fmt: skip


LINES = ["(10.0) can0 18FF5021#1302", "(10.5) can0 18FF5022#1402", "(11.0) can0 0CFF5021#1502"]


def test_one_unit_is_explained_and_the_others_are_told(rows: Map) -> None:
    """The first source address heard, whatever the priority, or the one that is asked for."""
    seen, remarks = explain(rows, LINES)
    assert [(one.at_ms, one.source, one.raw, one.value) for one in seen] == [
        (0, "STATE.Volts", 531, 53_100),
        (1_000, "STATE.Volts", 533, 53_300),
    ]
    assert remarks == ["1 frames of source address 0x22, left out"]
    seen, remarks = explain(rows, LINES, 0x22)
    assert [one.value for one in seen] == [53_200]
    assert remarks == []


def test_lines_without_a_time_are_all_of_one_moment(rows: Map) -> None:
    """A recording without time stamps is still explained."""
    seen, _ = explain(rows, ["can0 18FF5021 [2] 13 02", "can0 18FF5021 [2] 14 02"])
    assert [(one.at_ms, one.value) for one in seen] == [(0, 53_100), (0, 53_200)]
