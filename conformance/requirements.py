"""What is asked of a bridge: every vector, oracle check and mutant cites these.

They stand in requirements.toml, to be read and argued about; docs/reference/requirements.md is
printed from them. Ids are REQ-<area>-<nn>; they are never renumbered and never used again.
"""

import tomllib
from pathlib import Path

from attrs import frozen

LEVELS = ("must", "should", "may")  # strongest first
AREAS = {
    "MRG": "Merge: the packs as one",
    "LIM": "Limits",
    "SIL": "Silence and time",
    "STG": "Stages of the daily charge",
    "WSH": "Wishes, commands and declarations",
    "PRO": "Protocol and hostile input",
}


@frozen
class Requirement:
    """`level`: must, should or may. `aim`: "safety", which a bridge that allows nothing meets, or
    "use", which it does not."""

    id: str
    level: str
    text: str
    reason: str
    source: str
    aim: str = "safety"

    @property
    def area(self) -> str:
        """The middle of the id, a key of AREAS."""
        return self.id.split("-")[1]


def _read(path: Path) -> tuple[Requirement, ...]:
    """Return the requirements in a file. Raises KeyError or TypeError for a table that is wrong."""
    found = []
    for name, table in tomllib.loads(path.read_text(encoding="utf-8")).items():
        (level,) = [level for level in LEVELS if level in table]
        found.append(Requirement(id=name, level=level, text=table.pop(level), **table))
    return tuple(found)


REQUIREMENTS = _read(Path(__file__).with_name("requirements.toml"))
BY_ID = {requirement.id: requirement for requirement in REQUIREMENTS}


def level_of(ids: list[str] | tuple[str, ...]) -> str:
    """Return the strongest level among requirements. Raises KeyError for an unknown id."""
    return min((BY_ID[name].level for name in ids), key=LEVELS.index)


def aim_of(ids: list[str] | tuple[str, ...]) -> str:
    """Return "safety" if all of the requirements are about safety, else "use"."""
    return "safety" if all(BY_ID[name].aim == "safety" for name in ids) else "use"
