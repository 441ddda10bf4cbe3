"""Logs: driver-protocol lines, each followed by the answer it got.

    {"op":"report","t":1000,"pack":"oak",...}
    {"answer":{"ok":true}}

One JSON object a line, keys sorted, so that a replay can be compared byte for byte.
"""

import json
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from attrs import frozen

from aggregator.plain import json_text

Answer = Callable[[dict[str, Any]], object]
LONGEST_LINE = 1_000_000


class BadLogError(Exception):
    """A log that cannot be read; the text is the complaint."""


@frozen
class Difference:
    """Where a replay went another way: line number, the request, what was and what is answered."""

    line: int
    request: dict[str, Any]
    recorded: str
    replayed: str


def entries(lines: Iterable[str], name: str) -> Iterator[tuple[int, dict[str, Any], str | None]]:
    """Yield (line number, request, recorded answer as text or None). Raises BadLogError."""
    waiting: tuple[int, dict[str, Any]] | None = None
    for number, entry in _objects(lines, name):
        if "answer" in entry:
            if waiting is None:
                raise BadLogError(f"{name}:{number}: an answer without a request before it")
            yield (*waiting, json_text(entry["answer"]))
            waiting = None
        else:
            if waiting is not None:
                yield (*waiting, None)
            waiting = (number, entry)
    if waiting is not None:
        yield (*waiting, None)


def requests(lines: Iterable[str], name: str) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield (line number, request) at once, whatever was answered. Raises BadLogError."""
    for number, entry in _objects(lines, name):
        if "op" in entry:
            yield number, entry


def _objects(lines: Iterable[str], name: str) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield (line number, object) of every line that holds one. A last line that is torn off, as a
    stopped recorder leaves it, is passed over."""
    for number, line in enumerate(lines, 1):
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        try:
            entry = _parsed(text, f"{name}:{number}")
        except BadLogError:
            if number > 1 and not line.endswith("\n"):
                return
            raise
        yield number, entry


def _parsed(line: str, place: str) -> dict[str, Any]:
    try:
        entry = json.loads(line) if len(line) <= LONGEST_LINE else None
    except (ValueError, RecursionError):
        entry = None
    if not isinstance(entry, dict):
        raise BadLogError(f"{place}: expected one JSON object, got {line[:40]!r}")
    return entry


def replay(
    lines: Iterable[str], name: str, answer: Answer, carry_out: Answer
) -> tuple[int, Difference | None]:
    """Ask everything again; return how many answers agreed, and the first difference.

    `carry_out` does what is asked, where no answer was kept to compare with.
    """
    agreed = 0
    for number, request, recorded in entries(lines, name):
        if recorded is None:
            carry_out(request)
            continue
        replayed = json_text(answer(request))
        if replayed != recorded:
            return agreed, Difference(number, request, recorded, replayed)
        agreed += 1
    return agreed, None


def pair(request: object, answer: object) -> str:
    """Return a request and its answer as two lines of a log."""
    return f"{json_text(request)}\n{json_text({'answer': answer})}\n"
