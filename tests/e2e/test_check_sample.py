"""`packyoke check MAP --sample RECORDING`: every kind of map, every suspicion, through the front door."""

import json
from collections.abc import Iterable
from math import sin
from pathlib import Path

import pytest

from adapters.can.candump import log_line
from adapters.can.hears import DbcPackSide, HearsSettings
from adapters.can.map_file import load_map
from adapters.cli.main import FINE, FOUND, UNREADABLE
from aggregator import PackReport
from tests.can_map import example
from tests.e2e.conftest import Command

TURNS = 90


def reports() -> Iterable[PackReport]:
    """A pack of four cells on a cloudy afternoon: current in and out, voltage following (invented)."""
    charge_mah = 60_000.0
    for turn in range(TURNS):
        current_ma = round(40_000 * sin(turn / 7)) + 15_000
        charge_mah += current_ma / 3_600
        cells = tuple(3_300 + number + current_ma // 2_000 for number in range(4))
        yield PackReport(
            "oak", turn, voltage_mv=sum(cells), current_ma=current_ma,
            soc_permille=round(charge_mah / 100), cells_mv=cells,
            temperature_min_decic=210, temperature_max_decic=240, charge_allowed=True,
            discharge_allowed=True, charge_voltage_limit_mv=14_200, capacity_mah=100_000,
            discharge_voltage_limit_mv=11_200, charge_current_limit_ma=90_000,
            discharge_current_limit_ma=120_000, protections=(),
        )  # fmt: skip


@pytest.fixture
def brook(tmp_path: Path) -> Path:
    """The map of docs/how-to/can-dbc.md beside a recording, afternoon.log, of such a pack."""
    example(tmp_path)
    side = DbcPackSide(HearsSettings(map="", pack="oak"), load_map(tmp_path / "brook.toml"))
    lines = ["# an invented pack\n"]
    for turn, report in enumerate(reports()):
        for number, frame in enumerate(side.frames(report, turn * 1_000)):
            lines.append(log_line(1_700_000_000 + turn + number / 1_000, frame) + "\n")
    (tmp_path / "afternoon.log").write_text("".join(lines), encoding="utf-8")
    return tmp_path


def change(folder: Path, *changes: tuple[str, str], file: str = "brook.toml") -> None:
    """Make a mistake in a file."""
    text = (folder / file).read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / file).write_text(text, encoding="utf-8")


def sampled(packyoke: Command, folder: Path, *more: str) -> tuple[int, str]:
    """Explain the map on the recording."""
    code, out, err = packyoke(
        "check", folder / "brook.toml", "--sample", folder / "afternoon.log", *more
    )
    assert err == ""
    return code, " ".join(out.split())


def test_a_right_map_is_explained(packyoke: Command, brook: Path) -> None:
    """Every field with its place, its number in the frame and its values; nothing looks wrong."""
    code, out = sampled(packyoke, brook)
    assert code == FINE, out
    assert "Nothing looks wrong" in out
    assert "voltage_mv STATE.PackVoltage 90 1325 13.230 V 13.150 V 13.310 V 13.250 V" in out
    assert "charge_current_limit_ma LIMITS.MostIn 90 900 90.0 A 90.0 A 90.0 A 90.0 A" in out
    assert "charge_allowed STATE.Switches" in out
    assert "whether its charge path is closed: counts as closed" in out
    assert "its own charge current limit" not in out  # it is in the map


def test_machines_get_one_object_a_line(packyoke: Command, brook: Path) -> None:
    """With --json each field is an object, and the last one tells what looks wrong."""
    code, out, _ = packyoke(
        "check", brook / "brook.toml", "--sample", brook / "afternoon.log", "--json"
    )
    *rows, last = [json.loads(line) for line in out.splitlines()]
    current = next(row for row in rows if row["field"] == "current_ma")
    assert (current["where"], current["count"], current["raw_first"]) == (
        "STATE.PackCurrent",
        90,
        -150,
    )
    assert (current["first"], current["lowest"], current["highest"]) == (15_000, -25_000, 55_000)
    assert (code, last["wrong"], last["never"]) == (FINE, [], [])


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ([('positive = "discharge"', 'positive = "charge"')],
         "the voltage falls when the current rises, "),
        ([('"CellA", field = "cells_mv", number = 1', '"CellA", field = "cell_max_mv"'),
          ('"CellB", field = "cells_mv", number = 2', '"CellC", field = "cells_mv", number = 1'),
          ('"CellC", field = "cells_mv", number = 3 },\n', '"CellD", field = "cell_min_mv" },\n'),
          ('  { signal = "CellD", field = "cells_mv", number = 4 },\n', "")],
         "are cell_min_mv and cell_max_mv swapped?"),
        ([('signal = "PackVoltage"', 'scale = 10\nsignal = "PackVoltage"')],
         "the pack's voltage looks ten times too large against the sum of its cells"),
        ([('field = "cells_mv", number = 1', 'unit = "mV", scale = 0.1, field = "cells_mv", number = 1'),
          ('field = "cells_mv", number = 2', 'unit = "mV", scale = 0.1, field = "cells_mv", number = 2'),
          ('field = "cells_mv", number = 3', 'unit = "mV", scale = 0.1, field = "cells_mv", number = 3'),
          ('field = "cells_mv", number = 4', 'unit = "mV", scale = 0.1, field = "cells_mv", number = 4')],
         "cells_mv looks ten times too small"),
        ([('  { signal = "CellC", field = "cells_mv", number = 3 },\n', ""),
          ('  { signal = "CellD", field = "cells_mv", number = 4 },\n', "")],
         "are all cells mapped?"),
        ([('"MostVolts", field', '"LeastVolts", field'), ('{ signal = "LeastVolts", field = "discharge',
           '{ signal = "MostVolts", field = "discharge')],
         "are discharge_voltage_limit_mv and charge_voltage_limit_mv swapped?"),
        ([('"MostIn", field', '"MostIn", scale = 0.01, field')],
         "times charge_current_limit_ma: is the scale of one of them right?"),
        ([('field = "charge_allowed"\n  bit = 0', 'field = "charge_allowed"\n  bit = 0\n  true = [0]\n  false = [1]')],
         "charge_allowed forbids charging while current flows in, "),
        ([('field = "soc_permille"', 'field = "soc_permille"\n  scale = 0.01')],
         "is it a fraction of 1 (scale = 100)?"),
        ([('field = "temperature_max_decic"', 'field = "temperature_max_decic"\n  offset = 60')],
         "the hottest sensor says 84 °C: is the offset right?"),
        ([('signal = "PackVoltage"', 'scale = 100\nsignal = "PackVoltage"')],
         "voltage_mv (STATE.PackVoltage) is never known: "),
    ],
)  # fmt: skip
def test_a_mistake_in_the_map_looks_wrong(
    packyoke: Command, brook: Path, changes: list[tuple[str, str]], expected: str
) -> None:
    """Each usual mistake is suspected, in words that name the remedy."""
    change(brook, *changes)
    code, out = sampled(packyoke, brook)
    assert expected in out
    assert code == FOUND


def test_the_charge_counter_tells_the_sign_too(packyoke: Command, brook: Path) -> None:
    """Without steps in the current, the state of charge tells which way it flowed."""
    side = DbcPackSide(HearsSettings(map="", pack="oak"), load_map(brook / "brook.toml"))
    lines = []
    for turn in range(60):
        report = PackReport("oak", turn, voltage_mv=13_300, current_ma=-50_000,
                            soc_permille=500 + turn)  # fmt: skip
        frames = side.frames(report, turn * 60_000)
        lines += [log_line(60 * turn, frame) + "\n" for frame in frames]
    (brook / "afternoon.log").write_text("".join(lines), encoding="utf-8")
    code, out = sampled(packyoke, brook)
    assert code == FOUND
    assert "the state of charge moves by +5.5 % while -49.2 Ah flow" in out


def test_a_reading_that_stands_still(packyoke: Command, brook: Path) -> None:
    """A voltage that never moves while the current does is suspected."""
    change(brook, ('signal = "PackVoltage"', 'signal = "Stuck"'))
    change(brook, (" SG_ PackVoltage : 0|16@1+ (0.01,0) [0|120]", " SG_ Stuck : 0|16@1+ (0.01,0) [0|120]"),
           file="brook.dbc")  # fmt: skip
    lines = []
    for line in (brook / "afternoon.log").read_text(encoding="utf-8").splitlines():
        lines.append(line.split(" 300#")[0] + " 300#2C05" + line.split(" 300#")[1][4:]
                     if " 300#" in line else line)  # fmt: skip
    (brook / "afternoon.log").write_text("\n".join(lines), encoding="utf-8")
    code, out = sampled(packyoke, brook)
    assert "voltage_mv (STATE.Stuck) stands still at 1324 while the current moves" in out
    assert code == FOUND


def test_codes_taken_for_values(packyoke: Command, brook: Path) -> None:
    """All ones, taken for a value because the map says there are no codes, is suspected."""
    change(brook, ('dbc = "brook.dbc"', 'dbc = "brook.dbc"\nno_data = "none"'))
    change(brook, ("[0|120]", "[0|0]"), ("(0.1,0) [0|1000]", "(0.01,0) [0|0]"), file="brook.dbc")
    with (brook / "afternoon.log").open("a", encoding="utf-8") as log:
        log.write("(1700000100.0) can0 310#FFFFFFFFFFFFFFFF\n")
    code, out = sampled(packyoke, brook)
    assert "65535 is taken for a value; is it a code for no data?" in out
    assert code == FOUND


def test_what_never_comes_and_what_cannot_be_taken(packyoke: Command, brook: Path) -> None:
    """Fields of messages that are not in the recording, lines that are none, frames refused."""
    log = brook / "afternoon.log"
    kept = [line for line in log.read_text().splitlines() if " 310#" not in line]
    kept += ["what is this", "(1700000100.0) can0 300#00", "(1700000101.0) can0 330#R"]
    log.write_text("\n".join(kept), encoding="utf-8")
    code, out = sampled(packyoke, brook)
    assert code == FOUND
    assert "never in the recording charge_current_limit_ma charge_voltage_limit_mv" in out
    assert "2 lines without a data frame" in out
    assert "1 frames refused: STATE: a frame of 1 bytes" in out


def test_a_unit_can_be_picked(packyoke: Command, brook: Path) -> None:
    """--unit shifts the ids: nothing of this map is in the recording one id higher."""
    code, out = sampled(packyoke, brook, "--unit", "1")
    assert code == FOUND
    assert "STATE.PackVoltage" not in out


def test_a_map_without_a_recording_is_checked(packyoke: Command, brook: Path) -> None:
    """A right map is fine, and what it lacks is told; a wrong one is told line by line."""
    code, out, _ = packyoke("check", brook / "brook.toml")
    assert code == FINE
    assert "brook.toml: a map of 17 numbers: fine" in out
    assert "whether its charge path is closed" in out
    change(brook, ('"soc_permille"', '"soc"'))
    code, _, err = packyoke("check", brook / "brook.toml")
    assert code == FOUND
    assert 'signals[3].field: expected a field of the records, got "soc"' in err


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("nothing\nof the kind\n", "expected lines as candump prints them, got none with a frame"),
        ("", "expected lines as candump prints them"),
    ],
)
def test_a_recording_that_is_none(packyoke: Command, brook: Path, text: str, expected: str) -> None:
    """One line that names the file and what was expected."""
    (brook / "afternoon.log").write_text(text, encoding="utf-8")
    code, _, err = packyoke("check", brook / "brook.toml", "--sample", brook / "afternoon.log")
    assert code == FOUND
    assert f"afternoon.log: {expected}" in err
    code, _, err = packyoke("check", brook / "brook.toml", "--sample", brook / "gone.log")
    assert code == UNREADABLE
    assert "gone.log: no such file" in err


def test_kinds_and_samples_that_do_not_fit(packyoke: Command, brook: Path) -> None:
    """An unknown kind lists the known ones; a recording wants a map."""
    change(brook, ('kind = "dbc"', 'kind = "dcb"'))
    code, _, err = packyoke("check", brook / "brook.toml")
    assert code == FOUND
    assert 'kind: expected one of "dbc", "registers", "topics", "frames", got "dcb"' in err
    (brook / "bank.toml").write_text('[[packs]]\npack = "oak"\n', encoding="utf-8")
    code, _, err = packyoke("check", brook / "bank.toml", "--sample", brook / "afternoon.log")
    assert code == FOUND
    assert "--sample wants a map" in err


REGISTERS = """\
kind = "registers"
[[groups]]
name = "now"
rows = [
    { field = "voltage_mv", address = 0, unit = "V", scale = 0.1 },
    { field = "current_ma", address = 1, type = "i16", unit = "A", scale = 0.1 },
]
"""
TOPICS = """\
kind = "topics"
[[topics]]
topic = "shed/{pack}/volts"
values = [{ field = "voltage_mv", unit = "V" }]
"""
FRAMES = """\
kind = "frames"
[[frames]]
name = "state"
start = "AA 55"
length = 5
checksum = { kind = "sum" }
  [[frames.fields]]
  at = 2
  field = "voltage_mv"
  unit = "V"
  scale = 0.01
"""


@pytest.mark.parametrize(
    ("map_text", "recording", "unit", "expected"),
    [
        (REGISTERS, "0.0 1 3 0: 0214 FFD6\n1.0 1 3 0: 0213 FFD6\n", "1",
         "voltage_mv register 0 2 531 53.200 V 53.100 V 53.200 V 53.100 V"),
        (REGISTERS, "0.0 1 3 0: 0214 FFD6\n", "0x1", "current_ma register 1 1 -42 -4.2 A"),
        (TOPICS, "5.0 0 shed/oak/volts 53.1\n5.1 0 shed/fir/volts 52.9\n", "fir",
         "voltage_mv shed/fir/volts 1 52.9 52.900 V"),
        (FRAMES, "0.0 AA 55 14 C0\n0.1 D3\n1.0 AA 55 14 CA DD\n", "0",
         "voltage_mv state, byte 2, u16 2 5322 53.120 V 53.120 V 53.220 V 53.220 V"),
    ],
)  # fmt: skip
def test_every_kind_of_map_is_explained(
    packyoke: Command, tmp_path: Path, map_text: str, recording: str, unit: str, expected: str
) -> None:
    """Registers, topics and framed serial lines plug in beside DBCs; `--unit` picks the pack."""
    (tmp_path / "own.toml").write_text(map_text, encoding="utf-8")
    (tmp_path / "own.log").write_text(recording, encoding="utf-8")
    code, out, err = packyoke(
        "check", tmp_path / "own.toml", "--sample", tmp_path / "own.log", "--unit", unit
    )
    assert (code, err) == (FINE, "")
    assert expected in " ".join(out.split())


def test_several_packs_are_not_mixed_up(packyoke: Command, tmp_path: Path) -> None:
    """Where a field comes from two packs, the judgement asks which one is meant."""
    (tmp_path / "own.toml").write_text(TOPICS, encoding="utf-8")
    (tmp_path / "own.log").write_text("5 0 shed/oak/volts 53.1\n6 0 shed/fir/volts 52.9\n")
    code, out, _ = packyoke("check", tmp_path / "own.toml", "--sample", tmp_path / "own.log")
    assert code == FOUND
    assert "are these several packs? Pick one with --unit" in " ".join(out.split())


def test_a_unit_of_the_wrong_kind(packyoke: Command, brook: Path) -> None:
    """A name where a number is wanted is one line."""
    code, _, err = packyoke(
        "check", brook / "brook.toml", "--sample", brook / "afternoon.log", "--unit", "oak"
    )
    assert code == FOUND
    assert '--unit: expected a number for this kind of map, got "oak"' in err
