"""The examples in docs/how-to/can-dbc.md, as files."""

import re
from pathlib import Path

from tests.sources import ROOT

FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
PAGE = ROOT / "docs" / "how-to" / "can-dbc.md"


def example(folder: Path) -> None:
    """Write the page's maps into a folder, each with the DBC that stands before it."""
    dbc = ""
    for language, text in FENCE.findall(PAGE.read_text(encoding="utf-8")):
        named = re.match(r"# (\S+\.toml)\n", text)
        if language == "dbc":
            dbc = text
        elif named:
            (folder / named[1]).write_text(text, encoding="utf-8")
            (folder / named[1].replace(".toml", ".dbc")).write_text(dbc, encoding="utf-8")
