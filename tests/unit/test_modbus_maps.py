"""Register maps of the owner's: what may stand in one, and what is said about mistakes."""

from pathlib import Path

import pytest

from adapters.modbus import explain
from adapters.modbus.maps import blocks
from adapters.toml_file import BadFileError
from tests.registers import map_in

PACK = """
kind = "registers"

[[groups]]
name = "now"
function = 4
rows = [
    { field = "voltage_mv", address = 0, unit = "V", scale = 0.01 },
    { field = "current_ma", address = 1, type = "i32", unit = "A", scale = 0.001 },
    { field = "soc_permille", address = 3, unit = "%", no_data = [65535] },
    ROW
]
"""
BANK = """
kind = "registers"
of = "bank"

[[groups]]
name = "limits"
rows = [
    { field = "charge_current_limit_ma", address = 10, unit = "A", scale = 0.1 },
    { field = "charge_allowed", address = 11, bit = 0 },
    ROW
]
"""


def complaints(tmp_path: Path, text: str, row: str = "") -> list[str]:
    """What is said about a map, without the file's name."""
    with pytest.raises(BadFileError) as caught:
        map_in(tmp_path, text.replace("ROW", row))
    return [line.split("map.toml", 1)[1] for line in caught.value.complaints]


WRONG_ROWS = [
    (PACK, '{ field = "voltage_mw", address = 5 }', 'did you mean "voltage_mv"?'),
    (PACK, '{ field = "soh_permille", adress = 5 }', 'did you mean "address"?'),
    (PACK, '{ field = "soh_permille", address = 65536 }', "expected 0..65535"),
    (PACK, '{ field = "capacity_mah", address = 65535, type = "u32" }', "registers up to 65535"),
    (PACK, '{ field = "soh_permille", address = 5, type = "u8" }', "one of u16, i16"),
    (PACK, '{ field = "soh_permille", address = 5, unit = "V" }', "one of %, permille"),
    (PACK, '{ field = "soh_permille", address = 5, scale = 0 }', "a number other than 0"),
    (PACK, '{ field = "soh_permille", address = 5, count = 2 }', "1, as this field is no list"),
    (PACK, '{ field = "cells_mv", address = 5, count = 4, type = "u32", step = 1 }', "at least the 2"),
    (PACK, '{ field = "voltage_mv", address = 9 }', "a field that stands in one place"),
    (PACK, '{ field = "charge_allowed", address = 9, bit = 16 }', "has these bits"),
    (PACK, '{ field = "soh_permille", address = 9, bit = 1 }', "a yes/no field"),
    (PACK, '{ field = "warnings", address = 9 }', "which bit is which alarm"),
    (PACK, '{ field = "warnings", address = 9, bits = { 0 = "hot" } }', "one of board_over"),
    (PACK, '{ field = "warnings", address = 9, bits = { 16 = "other" } }', "has these bits"),
    # More digits than an int may be read from, and a digit that is none.
    (PACK, f'{{ field = "warnings", address = 9, bits = {{ {"9" * 5_000} = "other" }} }}', "bits 0..63"),
    (PACK, '{ field = "warnings", address = 9, bits = { "²" = "other" } }', "bits 0..63"),
    (PACK, '{ field = "soh_permille", address = 5, word_order = "up" }', "high_first, low_first"),
    (BANK, '{ field = "soc_permille", address = 20 }', "a number for when soc_permille is unknown"),
    (BANK, '{ field = "soc_permille", address = 20, no_data = [65536] }', "fit into u16"),
    (BANK, '{ field = "discharge_current_limit_ma", address = 20, offset = 5, unit = "A" }', "least"),
    (BANK, '{ field = "discharge_voltage_limit_mv", address = 20 }', "carries 150000"),
    (BANK, '{ field = "constant", address = 20, constant = -1 }', "fits into u16"),
    (BANK, '{ field = "discharge_allowed", address = 10 }', "a register of its own"),
    (BANK, '{ field = "cells_mv", address = 20 }', "a field of the records"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "row", "words"), WRONG_ROWS)
def test_a_wrong_row_is_named(tmp_path: Path, text: str, row: str, words: str) -> None:
    """What cannot be right about a row is one line with its place and what was expected."""
    found = complaints(tmp_path, text, row)
    assert any(words in told and "groups[1].rows" in told for told in found)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("function = 4", "function = 1", "single bits"),
        ('"now"', '"now"\nkeep_ms = 5000', "at least one group without it"),
        ('kind = "registers"', 'kind = "registers"\n[[writes]]\nrequest = "stop_charge"\naddress = 0', "none in a map"),
    ],
)  # fmt: skip
def test_a_wrong_group_is_named(tmp_path: Path, old: str, new: str, words: str) -> None:
    """So is what cannot be right about a group, or about the map."""
    assert any(words in told for told in complaints(tmp_path, PACK.replace(old, new)))


WRITES = """
[[writes]]
request = "cap_charge_current"
address = 100
unit = "A"
"""


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("cap_charge_current", "charge_less", "one of withhold_pack"),
        ('"A"', '"V"', "one of A, mA"),
        ("100", "10", "a register of its own"),
        ("cap_charge_current", 'withhold_pack"\nlasts_ms = 1\nfalse = [2]\nscale = "', "a number"),
        ("cap_charge_current", "withhold_pack", "a pack's name"),
        ("unit", 'pack = "oak"\nunit', "none"),
        ('cap_charge_current"\naddress = 100\nunit = "A"', 'stop_charge"\naddress = 99\nlasts_ms = 5', "does not run out"),
    ],
)  # fmt: skip
def test_a_wrong_write_is_named(tmp_path: Path, old: str, new: str, words: str) -> None:
    """What others may write is checked as well."""
    text = BANK.replace("ROW", "") + WRITES.replace(old, new)
    assert any(words in told for told in complaints(tmp_path, text))


def test_every_mistake_is_told_in_one_pass(tmp_path: Path) -> None:
    """Three wrong rows are three lines, in the order of the file."""
    rows = '{ field = "x", address = 1 },{ field = "y", address = 1 },{ field = "z", address = 1 }'
    found = complaints(tmp_path, PACK, rows)
    assert [told[told.index("rows") :].split(".")[0] for told in found] == [
        "rows[4]", "rows[5]", "rows[6]",
    ]  # fmt: skip


def test_what_is_near_is_read_at_once(tmp_path: Path) -> None:
    """A group is one request as long as the largest block allows; `split` allows more."""
    text = PACK.replace("ROW", '{ field = "cells_mv", address = 50, count = 16 }')
    assert blocks(map_in(tmp_path, text).groups[0], 125) == [(0, 66)]
    small = text.replace('"registers"', '"registers"\nlargest_block = 20')
    assert "0..3, 50..65" in complaints(tmp_path, small)[0]
    split = map_in(tmp_path, small.replace('"now"', '"now"\nsplit = true'))
    assert blocks(split.groups[0], 20) == [(0, 4), (50, 16)]


def test_a_number_is_never_cut_in_two(tmp_path: Path) -> None:
    """Where reads have to end, they end between numbers."""
    text = PACK.replace("ROW", "").replace('"now"', '"now"\nsplit = true')
    found = blocks(map_in(tmp_path, text).groups[0], 2)
    assert found == [(0, 1), (1, 2), (3, 1)]


def test_a_recording_is_explained(tmp_path: Path) -> None:
    """Every number that a recording shows: when, where, as it stood, and what it says."""
    recording = ["# oak, at noon", "5.000 1 4 0: 14C0 0000 A604 FFFF", "", "6.5 2 4 3: 0057  # fir"]
    seen = explain(map_in(tmp_path, PACK.replace("ROW", "")), recording)
    assert [(one.at_ms, one.source, one.field, one.raw, one.value) for one in seen] == [
        (0, "register 0", "voltage_mv", 5_312, 53_120),
        (0, "register 1", "current_ma", 42_500, 42_500),
        (0, "register 3", "soc_permille", 65_535, None),
        (1_500, "register 3", "soc_permille", 87, 870),
    ]


@pytest.mark.parametrize("line", ["1 4 0: 14C0", "x 1 4 0: 14C0", "0 1 4 0: 14C0X", "0 1 9 0: 1"])
def test_a_line_that_is_none_is_named(tmp_path: Path, line: str) -> None:
    """A recording in another shape is refused with the line's number and the shape."""
    with pytest.raises(ValueError, match="line 2: expected `seconds device function address"):
        explain(map_in(tmp_path, PACK.replace("ROW", "")), ["", line])
