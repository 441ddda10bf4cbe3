"""Recordings of an invented pack, and the command that explains a map on them."""

from collections.abc import Iterable
from math import sin
from pathlib import Path

from adapters.can.candump import log_line
from adapters.can.hears import DbcPackSide, HearsSettings
from adapters.can.map_file import load_map
from aggregator import PackReport
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


def record(folder: Path, said: Iterable[PackReport], every_s: int = 1) -> None:
    """Write what a pack of the map brook.toml says into afternoon.log, as candump would."""
    side = DbcPackSide(HearsSettings(map="", pack="oak"), load_map(folder / "brook.toml"))
    lines = ["# an invented pack\n"]
    for turn, report in enumerate(said):
        for number, frame in enumerate(side.frames(report, turn * every_s * 1_000)):
            at_s = 1_700_000_000 + turn * every_s + number / 1_000
            lines.append(log_line(at_s, frame) + "\n")
    (folder / "afternoon.log").write_text("".join(lines), encoding="utf-8")


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
