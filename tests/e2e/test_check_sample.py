"""`packyoke check MAP --sample RECORDING`: every kind of map, every suspicion, through the front door."""

import json
from pathlib import Path

import pytest

from adapters.cli.main import FINE, FOUND, UNREADABLE
from aggregator import PackReport
from tests.can_map import FENCE, example
from tests.e2e.conftest import Command
from tests.e2e.recordings import change, record, reports, sampled
from tests.sources import ROOT


@pytest.fixture
def brook(tmp_path: Path) -> Path:
    """The map of docs/how-to/can-dbc.md beside a recording, afternoon.log, of such a pack."""
    example(tmp_path)
    record(tmp_path, reports())
    return tmp_path


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
    steady = {"voltage_mv": 13_300, "current_ma": -50_000}
    rising = (PackReport("oak", turn, soc_permille=500 + turn, **steady) for turn in range(60))
    record(brook, rising, every_s=60)
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


def test_a_recording_of_something_else_is_told(packyoke: Command, brook: Path) -> None:
    """Nothing of it is what the map reads: then what to look at first."""
    log = brook / "other.log"
    log.write_text("(1700000000.000000) can0 7FF#0102\n", encoding="utf-8")
    code, out, _ = packyoke("check", brook / "brook.toml", "--sample", log)
    assert code == FOUND
    assert "for none is what the map reads: is it of this bus, and does it want --unit?" in (
        " ".join(out.split())
    )


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


def test_a_unit_of_the_wrong_kind(packyoke: Command, brook: Path) -> None:
    """A name where a number is wanted is one line."""
    code, _, err = packyoke(
        "check", brook / "brook.toml", "--sample", brook / "afternoon.log", "--unit", "oak"
    )
    assert code == FOUND
    assert '--unit: expected a number for this kind of map, got "oak"' in err


PAGE = ROOT / "docs" / "how-to" / "map-a-bus-you-know.md"


def test_the_page_shows_what_is_printed(packyoke: Command, brook: Path) -> None:
    """Each line of the how-to page's example is printed for the map with its two mistakes."""
    change(
        brook,
        ('positive = "discharge"', 'positive = "charge"'),
        ('  { signal = "MostIn", field = "charge_current_limit_ma" },\n', ""),
    )
    _, out = sampled(packyoke, brook)
    (shown,) = [text for language, text in FENCE.findall(PAGE.read_text()) if language == "text"]
    table, sentences = shown.split("\n\n")
    for line in table.splitlines():
        assert " ".join(line.split()).rstrip("─") in out
    assert " ".join(sentences.split("Not in the map")[0].split()) in out
    assert " ".join(sentences.split("what that costs")[1].split()) in out
