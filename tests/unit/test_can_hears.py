"""A pack heard by a DBC map: whose frames count, which values, and what a spoiled frame does."""

from pathlib import Path
from typing import Any

import pytest

from adapters.can.hears import DbcPack, DbcPackSide, HearsSettings, hears
from adapters.can.map_file import EXTENDED, load_map
from aggregator import Aggregator, BankSettings, BusReport, PackReport, PackSettings
from tests.can_map import dbc_message, example, made

STATE = dbc_message(
    "STATE",
    0x18FF5020 | EXTENDED,
    8,
    [
        'Volts : 0|16@1+ (0.1,0) [0|100] "V"',
        'Amps : 16|16@1- (0.1,0) [0|0] "A"',
        'Unit : 32|8@1+ (1,0) [0|0] ""',
        'Alive : 40|4@1+ (1,0) [0|0] ""',
        'Check : 56|8@1+ (1,0) [0|0] ""',
    ],
)
ROWS = """\
[[messages]]
message = "STATE"
signals = [
  { signal = "Volts", field = "voltage_mv", no_data = [12] },
  { signal = "Amps", field = "current_ma" },
]
"""
ID = 0x18FF5020 | EXTENDED
GOOD = bytes.fromhex("1302D6FF01000000")  # 53.1 V, -4.2 A
VIEW = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)])).step(0)


def talker(folder: Path, rows: str = ROWS, **settings: Any) -> DbcPack:
    """Return a talker for the map above."""
    given = {"map": "made.toml", "pack": "oak"} | settings
    return DbcPack(HearsSettings(**given), made(folder, STATE, rows))


def told(one: DbcPack, data: bytes, can_id: int = ID, now_ms: int = 0) -> list[Any]:
    """Return what a frame brings."""
    return list(one.received((can_id, data), now_ms))


def test_a_report_comes_with_the_last_of_its_messages(tmp_path: Path) -> None:
    """The how-to page's pack: the frames that its own side sends make a report, with its values."""
    example(tmp_path)
    settings = HearsSettings(map="brook.toml", pack="oak", id_offset=1)
    one = hears(settings, tmp_path)
    side = DbcPackSide(settings, load_map(tmp_path / "brook.toml"))
    said = PackReport(
        "oak", 1, voltage_mv=13_250, current_ma=-42_500, soc_permille=875, charge_allowed=True,
        discharge_allowed=False, temperature_max_decic=230, temperature_min_decic=-50,
        charge_voltage_limit_mv=14_000, discharge_voltage_limit_mv=11_200,
        charge_current_limit_ma=90_000, discharge_current_limit_ma=0, capacity_mah=100_000,
        cells_mv=(3_310, 3_311, 3_312, 3_317), protections=("charge_under_temperature",),
    )  # fmt: skip
    frames = side.frames(said, 0)
    assert [can_id for can_id, _ in frames] == [769, 785, 801, 801, 817]
    records = [one.received(frame, 7) for frame in frames]
    assert not any(records[:-1])  # not before the slow message, which tells what forbids
    (last,) = records[-1]
    assert isinstance(last, PackReport)
    for name in PackReport.__slots__:
        if name not in ("age_ms", "sample", "warnings"):
            assert getattr(last, name) == getattr(said, name), name
    assert not one.due(0, VIEW, True)


def test_j1939_ids_match_by_group(tmp_path: Path) -> None:
    """Any priority; the source address is the talker's; another group is not ours."""
    rows = 'ids = "j1939"\n' + ROWS
    one = talker(tmp_path, rows, source_address=0x45)
    assert len(told(one, GOOD, 0x0CFF5045 | EXTENDED)) == 1
    assert not told(one, GOOD, 0x18FF5046 | EXTENDED)
    assert not told(one, GOOD, 0x18FF5145 | EXTENDED)
    assert not told(one, GOOD, 0x18FF5045 & 0x7FF)
    assert one.counts.received == 1


def test_any_source_is_the_first_one_heard(tmp_path: Path) -> None:
    """A second unit is refused, not mixed in; when the first has been silent, it may have moved."""
    one = talker(tmp_path, 'ids = "j1939"\n' + ROWS)
    assert len(told(one, GOOD, ID, 0)) == 1
    assert not told(one, GOOD, ID + 1, 5_000)
    assert one.counts.trouble == "a second source address: give each pack its source_address"
    assert len(told(one, GOOD, ID, 9_000)) == 1
    assert not told(one, GOOD, ID + 1, 18_999)
    assert len(told(one, GOOD, ID + 1, 19_000)) == 1
    assert not told(one, GOOD, ID, 19_001)


def test_exact_ids_are_exact(tmp_path: Path) -> None:
    """Without J1939 every bit of an id counts, shifted by the offset."""
    one = talker(tmp_path, id_offset=0x100)
    assert len(told(one, GOOD, ID + 0x100)) == 1
    assert not told(one, GOOD, ID)
    with pytest.raises(ValueError, match="source_address: only for maps with ids"):
        talker(tmp_path, source_address=1)


@pytest.mark.parametrize("offset", [0x0700FFE0, -0x18FF5021])
def test_an_offset_that_leaves_the_ids_is_refused(tmp_path: Path, offset: int) -> None:
    """Ids have 29 bits, or 11; an offset may not lead beyond them."""
    with pytest.raises(ValueError, match="id_offset: one that leaves STATE an id of its kind"):
        talker(tmp_path, id_offset=offset)


def test_only_picks_a_unit_by_a_signal(tmp_path: Path) -> None:
    """Where the unit's number stands in the frame, frames of other units bring nothing."""
    one = talker(tmp_path, only={"Unit": 1})
    assert len(told(one, GOOD)) == 1
    assert not told(one, GOOD[:4] + b"\x02" + GOOD[5:])
    assert one.counts.refused == 0
    with pytest.raises(ValueError, match="only: signals of the map's messages, not Moon"):
        talker(tmp_path, only={"Moon": 1})


@pytest.mark.parametrize(
    ("coding", "volts", "value"),
    [
        ("top", "FFFF", None),
        ("top", "0C00", None),  # the row's own code
        ("top", "E903", None),  # 100.1 V: beyond what the DBC says
        ("top", "E803", 100_000),
        ("top", "0000", 0),
        ("none", "1302", 53_100),
    ],
)
def test_codes_and_ranges_are_unknown(
    tmp_path: Path, coding: str, volts: str, value: int | None
) -> None:
    """A "no data" code, or a number outside the DBC's range, is unknown and never a number."""
    one = talker(tmp_path, f'no_data = "{coding}"\n' + ROWS)
    (report,) = told(one, bytes.fromhex(volts) + GOOD[2:])
    assert report.voltage_mv == value
    assert report.current_ma == -4_200


@pytest.mark.parametrize(
    ("coding", "first_unknown"), [("none", None), ("top", 255), ("top-3", 253), ("j1939", 251)]
)
def test_reserved_codes_of_a_byte(tmp_path: Path, coding: str, first_unknown: int | None) -> None:
    """Each way of coding "no data" takes its own codes from the top of a byte."""
    state = dbc_message("STATE", 256, 1, ['Amps : 0|8@1+ (1,0) [0|0] "A"'])
    rows = f'no_data = "{coding}"\n[[messages]]\nmessage = "STATE"\nsignals = [{{ signal = "Amps", field = "current_ma" }}]\n'
    one = DbcPack(HearsSettings(map="", pack="oak"), made(tmp_path, state, rows))
    read = [one.received((256, bytes([raw])), 0)[0].current_ma for raw in range(256)]  # type: ignore[union-attr]
    last = 256 if first_unknown is None else first_unknown
    assert read == [1_000 * raw for raw in range(last)] + [None] * (256 - last)


def test_a_short_frame_is_refused_unless_allowed(tmp_path: Path) -> None:
    """Short frames bring nothing; with `shortest` what is missing is unknown; long ones are read."""
    one = talker(tmp_path)
    assert not told(one, GOOD[:7])
    assert one.counts.trouble == "STATE: a frame of 7 bytes"
    assert len(told(one, GOOD + b"\x00")) == 1
    short = talker(tmp_path, ROWS + "shortest = 3\n")
    (report,) = told(short, GOOD[:3])
    assert (report.voltage_mv, report.current_ma) == (53_100, None)
    assert not told(short, GOOD[:2])


def test_a_counter_that_stands_still_is_an_old_frame(tmp_path: Path) -> None:
    """The same count again refreshes nothing."""
    one = talker(tmp_path, ROWS + 'counter = { signal = "Alive" }\n')
    assert len(told(one, GOOD)) == 1
    assert not told(one, GOOD)
    assert one.counts.trouble == "STATE: a counter that stands still"
    assert len(told(one, GOOD[:5] + b"\x01" + GOOD[6:])) == 1


@pytest.mark.parametrize(
    ("checksum", "byte"),
    [
        ('kind = "sum"', 0x13 + 0x02 + 0xD6 + 0xFF + 0x01 & 0xFF),
        ('kind = "xor", start = 0x0F', 0x13 ^ 0x02 ^ 0xD6 ^ 0xFF ^ 0x01 ^ 0x0F),
        ('kind = "sum", first_byte = 1, last_byte = 2', 0x02 + 0xD6),
        ('kind = "sum", negated = true', -(0x13 + 0x02 + 0xD6 + 0xFF + 0x01) & 0xFF),
        ('kind = "sum", prefix = [0x45]', 0x45 + 0x13 + 0x02 + 0xD6 + 0xFF + 0x01 & 0xFF),
    ],
)
def test_a_wrong_checksum_is_refused(tmp_path: Path, checksum: str, byte: int) -> None:
    """Sums worked out by hand are taken; any other byte is refused, and one flipped bit too."""
    one = talker(tmp_path, ROWS + f'checksum = {{ signal = "Check", {checksum} }}\n')
    whole = GOOD[:7] + bytes([byte])
    assert len(told(one, whole)) == 1
    assert not told(one, GOOD[:7] + bytes([byte ^ 1]))
    assert not told(one, whole[:1] + bytes([whole[1] ^ 0x80]) + whole[2:])
    assert one.counts.trouble == "STATE: a wrong checksum"
    assert one.counts.refused == 2


def test_a_meter_on_the_bus_makes_bus_reports(tmp_path: Path) -> None:
    """Without a pack's name the frames are those of a shunt on the common bus."""
    (report,) = told(talker(tmp_path, pack=None), GOOD)
    assert isinstance(report, BusReport)
    assert (report.voltage_mv, report.current_ma, report.sample) == (53_100, -4_200, 1)
    rows = ROWS.replace('"current_ma"', '"charge_current_limit_ma"')
    with pytest.raises(ValueError, match="fields of a meter on the common bus, not charge_current"):
        talker(tmp_path, rows, pack=None)


def test_two_messages_with_one_id_are_refused(tmp_path: Path) -> None:
    """Ids that J1939 cannot tell apart are a mistake, said at once."""
    twin = STATE.replace("STATE", "TWIN").replace(str(ID), str(ID + 1))
    rows = 'ids = "j1939"\n' + ROWS + '[[messages]]\nmessage = "TWIN"\n'
    with pytest.raises(ValueError, match="STATE and TWIN have the same id here"):
        DbcPack(HearsSettings(map="", pack="oak"), made(tmp_path, STATE + twin, rows))


def test_the_silence_of_a_slow_message_lifts_nothing(tmp_path: Path) -> None:
    """A message that may forbid, and has gone silent for longer than it counts, ends the reports."""
    example(tmp_path)
    settings = HearsSettings(map="brook.toml", pack="oak")
    one = hears(settings, tmp_path)
    side = DbcPackSide(settings, load_map(tmp_path / "brook.toml"))
    said = PackReport("oak", 1, protections=("cell_over_voltage",), charge_voltage_limit_mv=14_000,
                      discharge_voltage_limit_mv=11_000)  # fmt: skip
    told = []
    for now_ms in range(0, 60_000, 1_000):
        for frame in side.frames(said, now_ms):
            if frame[0] == 816 and now_ms > 0:
                continue
            told += [(now_ms, record.protections) for record in one.received(frame, now_ms)]  # type: ignore[union-attr]
    assert [now_ms for now_ms, _ in told] == list(range(0, 31_000, 1_000))
    assert {protections for _, protections in told} == {("cell_over_voltage",)}


CAREFUL = dbc_message(
    "STATE",
    256,
    4,
    [
        'Most : 0|16@1+ (0.1,0) [0|0] "V"',
        'May : 16|2@1+ (1,0) [0|0] ""',
        'Closed : 18|2@1+ (1,0) [0|0] ""',
    ],
)
CAREFUL_ROWS = """\
[[messages]]
message = "STATE"
signals = [
  { signal = "Most", field = "charge_voltage_limit_mv" },
  { signal = "May", field = "charge_allowed" },
  { signal = "Closed", field = "charge_path_closed" },
]
"""


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ("2602" "05" "00", (55_000, True, True)),
        ("2602" "07" "00", (55_000, False, True)),  # no data for the permission
        ("2602" "04" "00", (55_000, False, True)),
        ("FFFF" "05" "00", "STATE: no charge_voltage_limit_mv in it"),
        ("2602" "0D" "00", "STATE: no charge_path_closed in it"),
    ],
)  # fmt: skip
def test_no_data_lifts_nothing(tmp_path: Path, data: str, expected: Any) -> None:
    """A permission that is not told is a no; without a voltage limit or path the frame is not taken."""
    one = DbcPack(HearsSettings(map="", pack="oak"), made(tmp_path, CAREFUL, CAREFUL_ROWS))
    found = one.received((256, bytes.fromhex(data)), 0)
    if isinstance(expected, str):
        assert not found
        assert one.counts.trouble == expected
    else:
        (report,) = found
        assert isinstance(report, PackReport)
        got = (report.charge_voltage_limit_mv, report.charge_allowed, report.charge_path_closed)
        assert got == expected
