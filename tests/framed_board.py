"""The invented board of docs/how-to/framed-serial.md, for tests: its files, and what it could report."""

from pathlib import Path

from adapters.framed.description import Description, load_map
from aggregator import PackReport
from tests.sources import ROOT

# The examples of the page that owners copy from.
PAGE = (ROOT / "docs" / "how-to" / "framed-serial.md").read_text(encoding="utf-8")
SITE, STATE = [block.split("```")[0] for block in PAGE.split("```toml\n")[1:]]


def described(folder: Path, text: str) -> Description:
    """Return a description from its text."""
    file = folder / "board.toml"
    file.write_text(text, encoding="utf-8")
    return load_map(file)


CELLS = (3_312, 3_331) * 8


def report(**fields: object) -> PackReport:
    """Return a report as such a pack could say it."""
    known: dict[str, object] = {
        "voltage_mv": 53_120, "current_ma": -42_500, "soc_permille": 870,
        "charge_current_limit_ma": 90_000, "charge_allowed": True, "discharge_allowed": True,
        "protections": (), "cells_mv": CELLS, "discharge_voltage_limit_mv": 44_800,
    }  # fmt: skip
    return PackReport("oak", 1, **(known | fields))  # type: ignore[arg-type]  # plain fields


def fast_and_slow(slow: str) -> str:
    """Return a description of a frame of any length, and of a slow one; `slow`: what its byte means."""
    return f"""
kind = "frames"
[[frames]]
name = "fast"
start = "01"
length_at = 1
length_adds = 2
  [[frames.fields]]
  at = 2
  field = "current_ma"
  unit = "A"
[[frames]]
name = "slow"
start = "02"
length = 3
keep_ms = 5000
  [[frames.fields]]
  at = 1
{slow}
"""
