"""Reading an owner's TOML file: what is in it, where each key stands, and what is wrong with it.

`tomllib` tells no line numbers, so `key_lines` finds them by a second, simple look at the text. It
is only used to say where; a key that it cannot place is told without a line.
"""

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

from attrs import evolve, frozen

from aggregator.errors import told

BLANK = "???"  # stands for what the owner has yet to fill in, in a file that we wrote
BLANKS = re.compile(rf'([A-Za-z0-9_\-]+)\s*=\s*"{re.escape(BLANK)}"')
CONTROL = re.compile(r"[\x00-\x1f\x7f]")
LONGEST_QUOTE = 60
LONGEST_INT = (1 << 63) - 1
LARGEST_BYTES = 1_000_000  # such files are a few kB; anything else is the wrong file

Place = tuple[str | int, ...]  # of a key: ("packs", 0, "capacity_mah")

HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\- ]+?)\s*\]\]?\s*(#.*)?$")
KEY = re.compile(r"^\s*([A-Za-z0-9_\-]+)\s*(?:\.\s*[A-Za-z0-9_\-]+\s*)*=")


@frozen
class Complaint:
    """One thing that is wrong: at which key, what was expected, what was got, what may help."""

    place: Place
    expected: str
    got: str
    hint: str = ""

    def under(self, place: Place) -> "Complaint":
        """Return the same complaint about a key further down."""
        return evolve(self, place=(*place, *self.place))

    def told(self, file: Path, line: int | None) -> str:
        """Return the complaint as one line."""
        where = f"{file}" if line is None else f"{file}:{line}"
        key = place_text(self.place)
        key = f"{key}: " if key else ""
        hint = f"; {self.hint}" if self.hint else ""
        return f"{where}: {key}expected {self.expected}, got {self.got}{hint}"


class BadFileError(Exception):
    """A file that cannot be used: `complaints`, one line each; `unreadable`: it was not even read."""

    def __init__(self, complaints: list[str], unreadable: bool = False) -> None:
        self.complaints = complaints
        self.unreadable = unreadable
        super().__init__("\n".join(complaints))


def quoted(text: str) -> str:
    """Return an owner's text in quotes: on one line, cut off where it is long, and in any alphabet.

    The core's `told` names what is not ASCII by its kind only, as every interpreter can say that.
    """
    short = text if len(text) <= LONGEST_QUOTE else text[:LONGEST_QUOTE] + "..."
    return json.dumps(short, ensure_ascii=False)


def shown(value: object) -> str:
    """Return a key's value as people see it; TOML has no null."""
    return "nothing" if value is None else told(value)


def place_text(place: Place) -> str:
    """Return a key's path as people write it: packs[1].capacity_mah, counted from 1."""
    text = ""
    for part in place:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def read_text(path: Path) -> str:
    """Return a file's text. Raises BadFileError: missing, a folder, not allowed, binary, too large."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise BadFileError(
            [f"{path}: cannot be read: {error.strerror or error}"], unreadable=True
        ) from None
    if len(data) > LARGEST_BYTES:
        raise BadFileError([f"{path}: expected a TOML file of at most 1 MB, got a larger one"])
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = "\0"
    if "\0" in text:
        raise BadFileError([f"{path}: expected a TOML text file in UTF-8, got binary data"])
    return text


def read_toml(path: Path) -> tuple[dict[str, object], dict[Place, int]]:
    """Return what a TOML file says, and the line of each key. Raises BadFileError."""
    text = read_text(path)
    if not text.strip():
        raise BadFileError([f"{path}: expected settings or a scenario, got an empty file"])
    try:
        plain = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also an integer of thousands of digits
        raise BadFileError([_toml_complaint(path, str(error))]) from None
    if not plain:
        raise BadFileError([f"{path}: expected settings or a scenario, got a file without any key"])
    blanks = _blanks(path, text)
    if blanks:
        raise BadFileError(blanks)
    lines = key_lines(text)
    raise_if_any(list(_unusable(plain, ())), path, lines)
    return plain, lines


def _unusable(value: object, place: Place) -> Iterator[Complaint]:
    """Yield a complaint for every integer longer than TOML 1.0 promises (no float need hold it), and
    for every text with a control character: complaints are one line each, and no file is called so."""
    if isinstance(value, dict):
        for key, one in value.items():
            if CONTROL.search(key):
                yield Complaint(place, "keys without control characters", told(key))
            else:
                yield from _unusable(one, (*place, key))
    elif isinstance(value, list):
        for at, one in enumerate(value):
            yield from _unusable(one, (*place, at))
    elif isinstance(value, int) and not -LONGEST_INT - 1 <= value <= LONGEST_INT:
        yield Complaint(place, "an integer of at most 64 bits", f"{value.bit_length()} bits")
    elif isinstance(value, str) and CONTROL.search(value):
        yield Complaint(place, "a text without control characters", told(value))


def _blanks(path: Path, text: str) -> list[str]:
    """Return a complaint for every line in which something is yet to be filled in."""
    found = []
    for number, line in enumerate(text.splitlines(), start=1):
        keys = [] if line.lstrip().startswith("#") else BLANKS.findall(line)
        if keys:
            field = re.search(r'\bfield = "(\w+)"', line)
            of = f" of {field[1]}" if field else ""
            found.append(f'{path}:{number}: {", ".join(keys)}{of}: expected your own, got "{BLANK}";'
                         " fill it in, or delete what is not told")  # fmt: skip
    return found


def _toml_complaint(path: Path, message: str) -> str:
    """Turn `... (at line 3, column 5)` round: the place first."""
    found = re.match(r"(.*) \(at line (\d+), column (\d+)\)$", message)
    if found:
        return f"{path}:{found[2]}: not valid TOML, at column {found[3]}: {found[1]}"
    return f"{path}: not valid TOML: {message}"


def key_lines(text: str) -> dict[Place, int]:
    """Return the line (from 1) of each key and table header that stands on a line of its own."""
    lines: dict[Place, int] = {}
    counts: dict[Place, int] = {}
    table: Place = ()
    for number, line in enumerate(text.splitlines(), start=1):
        header = HEADER.match(line)
        key = KEY.match(line)
        if header:
            table = _table(header[2], header[1] == "[[", counts)
            lines.setdefault(table, number)
            lines.setdefault(table[:-1], number)
            lines.setdefault(table[:1], number)
        elif key:
            lines.setdefault((*table, key[1]), number)
    return lines


def _table(name: str, array: bool, counts: dict[Place, int]) -> Place:
    """Return the path of a table header, with the number of each table in an array."""
    path: Place = ()
    parts = [part.strip() for part in name.split(".")]
    for depth, part in enumerate(parts, start=1):
        path = (*path, part)
        if array and depth == len(parts):
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def line_of(place: Place, lines: dict[Place, int]) -> int | None:
    """Return the line of a key, or of the nearest table around it."""
    while place:
        if place in lines:
            return lines[place]
        place = place[:-1]
    return None


def raise_if_any(complaints: list[Complaint], path: Path, lines: dict[Place, int]) -> None:
    """Raise BadFileError with all complaints in the order of their lines, if there are any."""
    if complaints:
        placed = [(line_of(one.place, lines) or 0, one) for one in complaints]
        placed.sort(key=lambda pair: pair[0])
        raise BadFileError([one.told(path, line or None) for line, one in placed])
