"""What a person sees of a map on a recording: each field's numbers, what is missing, what looks wrong."""

import re
from collections.abc import Iterator
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.text import Text

from adapters.capture import Seen
from adapters.cli.moments import Recording
from adapters.cli.screens import WIDTH, console, table

# Unit of the core -> (unit for people, divisor, digits).
SHOWN = {
    "_mv": ("V", 1_000, 3),
    "_ma": ("A", 1_000, 1),
    "_mah": ("Ah", 1_000, 1),
    "_permille": ("%", 10, 1),
    "_decic": ("°C", 10, 1),
    "_ms": ("s", 1_000, 1),
}


def value_text(field: str, value: object) -> str:
    """Return a value as people read it; a field's unit is the end of its name."""
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (tuple, frozenset, list)):
        return ", ".join(str(one) for one in value) or "none"
    if isinstance(value, (int, float)):
        for end, (unit, divisor, digits) in SHOWN.items():
            if field.endswith(end):
                return f"{value / divisor:.{digits}f} {unit}"
    return str(value)


def summary(field: str, source: str, row: list[Seen]) -> dict[str, Any]:
    """Return what one row of a map read: plain values, for people and machines."""
    known = [one.value for one in row if one.value is not None]
    numbers = [one for one in known if type(one) is int]
    return {
        "field": field,
        "where": source,
        "count": len(row),
        "unknown": len(row) - len(known),
        "raw_first": _plain(row[0].raw),
        "raw_last": _plain(row[-1].raw),
        "first": _plain(known[0]) if known else None,
        "lowest": min(numbers, default=None),
        "highest": max(numbers, default=None),
        "last": _plain(known[-1]) if known else None,
    }


def _plain(value: object) -> object:
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    return (
        sorted(value)
        if isinstance(value, (frozenset, set))
        else list(value)
        if isinstance(value, tuple)
        else str(value)
    )


def map_screen(rows: list[dict[str, Any]], narrow: bool) -> RenderableType:
    """Return the table of all rows: the number in the frame, and the value it stands for. A narrow
    one leaves out where each stands, and the first value, so that no number is cut off."""
    columns = ["field", "where", "times", "raw", "first", "lowest", "highest", "last"]
    shown = [one for one in columns if not (narrow and one in ("where", "first"))]
    made = table(*shown, left=(0,) if narrow else (0, 1))
    for row in rows:
        field = row["field"]
        cells = {key: value_text(field, row[key]) for key in ("first", "lowest", "highest", "last")}
        if row["lowest"] is None:
            cells["lowest"] = cells["highest"] = ""
        unknown = f", {row['unknown']} unknown" if row["unknown"] else ""
        cells |= {"field": field, "where": row["where"], "times": f"{row['count']}{unknown}"}
        cells["raw"] = str(row["raw_last"])
        made.add_row(*(cells[one] for one in shown))
    return made


def summaries(recording: Recording) -> list[dict[str, Any]]:
    """Return the summary of every row, by field."""
    rows = sorted(recording.rows.items(), key=lambda one: (one[0][0], _counted(one[0][1])))
    return [summary(field, source, row) for (field, source), row in rows]


def _counted(source: str) -> list[tuple[str, int]]:
    """Return a key that puts no. 2 before no. 10."""
    return [(text, int(digits or 0)) for text, digits in re.findall(r"(\D*)(\d*)", source)]


def said(title: str, lines: list[str]) -> Iterator[RenderableType]:
    """Yield a heading and lines below it; nothing if there are none."""
    if lines:
        yield Text(title, style="bold")
        for line in lines:
            yield Padding(Text(line), (0, 0, 0, 2))


def screen(
    recording: Recording, never: list[str], lacks: list[str], wrong: list[str], remarks: list[str]
) -> RenderableType:
    """Return the whole screen."""
    parts: list[RenderableType] = []
    if recording.rows:
        parts.append(map_screen(summaries(recording), narrow=console().width < WIDTH))
    parts += said("Looks wrong", wrong)
    parts += said("In the map, and never in the recording", never)
    parts += said("Not in the map, and what that costs", lacks)
    parts += said("Not taken", remarks)
    return Group(*parts)
