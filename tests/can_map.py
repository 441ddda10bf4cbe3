"""Maps for tests of the DBC adapter: the examples of docs/how-to/can-dbc.md as files, and ones made up."""

import re
from collections.abc import Sequence
from pathlib import Path

from adapters.can.map_file import Map, load_map
from tests.sources import ROOT

FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
PAGE = ROOT / "docs" / "how-to" / "can-dbc.md"
HEAD = 'VERSION ""\nBU_: A\n'


def example(folder: Path, page: Path = PAGE) -> None:
    """Write a page's maps into a folder, each with the DBC that stands before it."""
    dbc = ""
    for language, text in FENCE.findall(page.read_text(encoding="utf-8")):
        named = re.match(r"# (\S+\.toml)\n", text)
        if language == "dbc":
            dbc = text
        elif named:
            (folder / named[1]).write_text(text, encoding="utf-8")
            if 'kind = "dbc"' in text:
                (folder / named[1].replace(".toml", ".dbc")).write_text(dbc, encoding="utf-8")


def dbc_message(name: str, can_id: int, length: int, signals: Sequence[str]) -> str:
    """Return a message of a DBC; each signal as `Name : start|length@order+ (scale,offset) [..] "V"`."""
    lines = [f"BO_ {can_id} {name}: {length} A", *(f" SG_ {one} A" for one in signals)]
    return "\n".join(lines) + "\n"


def made(folder: Path, dbc: str, toml: str) -> Map:
    """Return a map from the text of its two files."""
    (folder / "made.dbc").write_text(HEAD + dbc, encoding="utf-8")
    (folder / "made.toml").write_text(f'kind = "dbc"\ndbc = "made.dbc"\n{toml}', encoding="utf-8")
    return load_map(folder / "made.toml")
