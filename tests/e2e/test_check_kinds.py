"""`packyoke check MAP --sample RECORDING` for the kinds of maps other than DBCs."""

from pathlib import Path

import pytest

from adapters.cli import check, moments
from adapters.cli.main import FINE, FOUND
from tests.e2e.conftest import Command

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


def test_a_long_recording_is_bounded(
    packyoke: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a recording of days, the beginning is looked at, and that is said."""
    monkeypatch.setattr(check, "MOST_LINES", 1_000)
    monkeypatch.setattr(moments, "MOST_MOMENTS", 100)
    (tmp_path / "own.toml").write_text(TOPICS, encoding="utf-8")
    lines = [f"{second} 0 shed/oak/volts {53 + second % 2}\n" for second in range(1_500)]
    (tmp_path / "own.log").write_text("".join(lines), encoding="utf-8")
    code, out, _ = packyoke("check", tmp_path / "own.toml", "--sample", tmp_path / "own.log")
    assert code == FINE
    assert "shed/oak/volts 1000 54" in " ".join(out.split())
    assert "lines after the first 1000" in out


@pytest.mark.parametrize("option", [["--json"], ["--unit", "3"]], ids=["json", "unit"])
def test_what_only_a_recording_needs_is_refused_without(
    packyoke: Command, tmp_path: Path, option: list[str]
) -> None:
    (tmp_path / "own.toml").write_text(FRAMES, encoding="utf-8")
    code, out, err = packyoke("check", tmp_path / "own.toml", *option)
    assert (code, out) == (FOUND, "")
    assert err == "packyoke: --json and --unit: only with --sample RECORDING\n"
