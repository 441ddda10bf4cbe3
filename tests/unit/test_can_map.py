"""An owner's DBC map: loading it, with every complaint in one pass."""

import sys
from pathlib import Path

import pytest

from adapters.can.hears import DbcPack
from adapters.can.map_file import EXTENDED, load_map
from adapters.can.says import DbcBank
from adapters.gateway.site_file import load_site
from adapters.toml_file import BadFileError
from tests.can_map import dbc_message, example, made

VOLTS = 'Volts : 0|16@1+ (0.1,0) [0|0] "V"'
STATE = dbc_message("STATE", 256, 8, [VOLTS, 'Amps : 16|16@1- (0.1,0) [0|0] ""'])
ROW = '[[messages]]\nmessage = "STATE"\n[[messages.signals]]\nsignal = "Volts"\n'


def complaints(folder: Path, dbc: str, toml: str) -> list[str]:
    """Return the complaints about a map."""
    with pytest.raises(BadFileError) as told:
        made(folder, dbc, toml)
    assert all("\n" not in one for one in told.value.complaints)
    return [one.removeprefix(str(folder)) for one in told.value.complaints]


def test_the_examples_load(tmp_path: Path) -> None:
    """The pack, the inverter and the site of the how-to page are usable."""
    example(tmp_path)
    brook, weir = (load_map(tmp_path / name) for name in ("brook.toml", "weir.toml"))
    assert [one.can_id for one in brook.messages] == [768, 784, 800, 816]
    assert brook.elements == {"cells_mv": 4}
    plan = load_site(tmp_path / "SITE.toml")
    assert [type(one) for one in plan.links[0].hears] == [DbcPack, DbcPack]
    assert [type(one) for one in plan.links[0].says] == [DbcBank]
    assert [one.can_id for one in weir.messages] == [0x18FF0600 | EXTENDED, 0x18FF0700 | EXTENDED]


@pytest.mark.parametrize(
    ("toml", "expected"),
    [
        ('[[messages]]\nmessage = "STAT"\n',
         '/made.toml:4: messages[1].message: expected a name that stands in the DBC, got "STAT"; did you mean "STATE"?'),
        (ROW.replace("Volts", "Bolts") + 'field = "voltage_mv"\n',
         '/made.toml:6: messages[1].signals[1].signal: expected a name that stands in the DBC, got "Bolts"; did you mean "Volts"?'),
        (ROW + 'field = "voltage"\n',
         '/made.toml:7: messages[1].signals[1].field: expected a field of the records, got "voltage"; did you mean "voltage_mv"?'),
        (ROW + 'field = "current_ma"\n',
         '/made.toml:5: messages[1].signals[1].unit: expected one of A, mA, got "V", which the DBC says; say the unit here'),
        (ROW.replace("Volts", "Amps") + 'field = "current_ma"\n',
         "/made.toml:5: messages[1].signals[1].unit: expected one of A, mA, got nothing; the DBC has none"),
        (ROW + 'field = "cells_mv"\nnumber = 2\n',
         "/made.toml:3: messages: expected cells_mv with numbers 1, 2, 3 and so on, at most 32, got [2]"),
        (ROW + 'field = "voltage_mv"\n' + ROW + 'field = "voltage_mv"\n',
         '/made.toml:12: messages[2].signals[1].field: expected each field once, got "voltage_mv" again'),
        ('[[messages]]\nmessage = "STATE"\nkeep_ms = 1000\n',
         "/made.toml:3: messages: expected at least one message without keep_ms, got only slow ones"),
        (ROW + 'field = "protections"\nbits = { 16 = "other" }\n',
         "/made.toml:8: messages[1].signals[1].bits: expected bits of a signal of 16, got bit 16; the lowest is 0"),
        (ROW + 'field = "protections"\nbits = { "²" = "other" }\n',
         "/made.toml:8: messages[1].signals[1].bits: expected bits 0..63, got a long or unprintable text"),
        ('[[messages]]\nmessage = "STATE"\ntelemetry = true\nsignals = [{ signal = "Volts", field = "charge_voltage_limit_mv" }]\n',
         "/made.toml:5: messages[1].telemetry: expected a message without limits, got one that tells charge_voltage_limit_mv; chargers obey limits: leave telemetry out"),
        ('[[messages]]\nmessage = "STATE"\nconstants = [{ signal = "Volts", value = 0.05 }]\n',
         "/made.toml:5: messages[1].constants[1].value: expected a number that Volts can say exactly, got 0.05"),
        ('[[messages]]\nmessage = "STATE"\ncodes = [{ signal = "Volts", field = "stage", codes = { bulk = 1 } }]\n',
         "/made.toml:5: messages[1].codes[1].codes: expected a whole number for each of bulk, absorption, float, paused, got ['bulk']"),
        ('[[messages]]\nmessage = "STATE"\nchecksum = { signal = "Volts", kind = "crc" }\n',
         "/made.toml:5: messages[1].checksum: expected a catalogue name or an odd polynomial, got "),
        ('ids = "j1939"\n' + ROW + 'field = "voltage_mv"\n',
         '/made.toml:5: messages[1].message: expected a message with a 29-bit id, as ids = "j1939" wants, got "STATE"'),
        ('ids = "any"\n[[messages]]\nmessage = "STATE"\n', "/made.toml:3: ids: expected "),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_place(tmp_path: Path, toml: str, expected: str) -> None:
    """One line for each mistake: the file, the line, the key, what was expected and what was got."""
    told = complaints(tmp_path, STATE, toml)
    assert any(one.startswith(expected) for one in told), told


def test_all_mistakes_come_at_once(tmp_path: Path) -> None:
    """Two mistakes, two lines, in the file's order."""
    toml = ROW.replace("Volts", "Bolts") + 'field = "voltage_mv"\n' + ROW + 'field = "volts"\n'
    first, second = complaints(tmp_path, STATE, toml)
    assert "Bolts" in first
    assert '"volts"' in second


@pytest.mark.parametrize(
    ("dbc", "expected"),
    [
        ("@ no DBC", "not a usable DBC file: "),
        ('BO_ 99999999999999 X: 8 A\n SG_ V : 0|16@1+ (1,0) [0|0] "" A\n', "not a usable DBC file: "),
        ("\x00\xff" * 1000, "not a usable DBC file: "),
        ("BO_ 1 " * 10_000, "not a usable DBC file: "),
        ("x" * 2_000_001, "expected a DBC file of at most 2 MB, got a larger one"),
    ],
)  # fmt: skip
def test_a_hostile_dbc_is_one_line(tmp_path: Path, dbc: str, expected: str) -> None:
    """Whatever is in the file: one line with its name, and no traceback."""
    (told,) = complaints(tmp_path, dbc, ROW + 'field = "voltage_mv"\n')
    assert told.startswith(f"/made.dbc: {expected}")
    assert len(told) < 300


def test_a_dbc_that_lists_without_end_is_refused_at_once(tmp_path: Path) -> None:
    """A range of four thousand million multiplexor numbers, which a parser would list one by one."""
    state = dbc_message(
        "STATE", 256, 8, ['M M : 0|32@1+ (1,0) [0|0] ""', VOLTS.replace(":", "m0 :")]
    )
    bomb = state + "SG_MUL_VAL_ 256 Volts M 0-2, 7-4294967295;\n"
    (told,) = complaints(tmp_path, bomb, ROW + 'field = "voltage_mv"\n')
    assert told == "/made.dbc: expected at most 10000 numbers of multiplexors, got more"
    few = state + "SG_MUL_VAL_ 256 Volts M 0-2, 7-9;\n"
    found = made(tmp_path, few, ROW + 'field = "voltage_mv"\n')
    assert found.messages[0].layouts[1].when[0][1] == {0, 1, 2, 7, 8, 9}


@pytest.mark.parametrize(
    "signal",
    [
        'Volts : 60|16@1+ (1,0) [0|0] "V"',
        'Volts : 3|16@0+ (1,0) [0|0] "V"',
        'Volts : 0|16@1+ (0,0) [0|0] "V"',
        'Volts : 0|16@1+ (1e999,0) [0|0] "V"',
        f'Volts : 0|16@1+ ({"9" * 400},0) [0|0] "V"',
    ],
)
def test_a_signal_that_cannot_stand_there_is_refused(tmp_path: Path, signal: str) -> None:
    """A mapped signal must fit its message and have a scale; one that nobody maps may be anything."""
    state = dbc_message("STATE", 256, 2, [signal, 'Good : 0|16@1+ (1,0) [0|0] "V"'])
    (told,) = complaints(tmp_path, state, ROW + 'field = "voltage_mv"\n')
    assert "expected a signal of 2 bytes with a usable scale in the DBC" in told
    assert made(tmp_path, state, ROW.replace("Volts", "Good") + 'field = "voltage_mv"\n')


def test_a_missing_dbc_is_one_line(tmp_path: Path) -> None:
    """A map that names a file that is not there says so."""
    (tmp_path / "made.toml").write_text(
        'kind = "dbc"\ndbc = "gone.dbc"\n' + ROW + 'field = "voltage_mv"\n'
    )
    with pytest.raises(BadFileError, match=r"gone\.dbc: cannot be read: No such file"):
        load_map(tmp_path / "made.toml")


def test_a_missing_extra_is_told_by_its_module(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without cantools the gateway can name the extra."""
    example(tmp_path)
    monkeypatch.setitem(sys.modules, "cantools", None)
    with pytest.raises(ModuleNotFoundError):
        load_map(tmp_path / "brook.toml")
