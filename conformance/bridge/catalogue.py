"""The bugs in bugs.toml, in their order."""

import tomllib
from pathlib import Path
from typing import NamedTuple


class Mutant(NamedTuple):
    """One bug: `old` stands exactly once in the bridge's source, `new` takes its place."""

    id: str
    text: str
    old: str
    new: str


MUTANTS = tuple(
    Mutant(name, **table)
    for name, table in tomllib.loads(
        Path(__file__).with_name("bugs.toml").read_text(encoding="utf-8")
    ).items()
)
