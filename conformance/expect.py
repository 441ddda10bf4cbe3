"""Does an answer look as a vector expects? Bounds where caution is allowed, exact values where not.

"view.charge_current_limit_ma": {"le": 90000}      dots go into objects and lists;
"view.packs.oak.presence": {"eq": "live"}          in a list of packs by the pack's name
"view.charge_current_limit_ma": {"not_above": "before"}   the answer to the step named so
"""

from collections.abc import Callable
from typing import Any

Plain = dict[str, Any]

NOTHING = object()


def look_up(answer: object, path: str) -> object:
    """Return what stands at `path` in an answer, or NOTHING."""
    at = answer
    for key in path.split("."):
        if isinstance(at, dict):
            at = at.get(key, NOTHING)
        elif isinstance(at, list) and key.isdigit():
            at = at[int(key)] if int(key) < len(at) else NOTHING
        elif isinstance(at, list):
            rows = [
                row
                for row in at
                if isinstance(row, dict) and key in (row.get("pack"), row.get("name"))
            ]
            at = rows[0] if rows else NOTHING
        else:
            return NOTHING
    return at


def _number(value: object) -> bool:
    return type(value) is int


def _same(got: object, want: object) -> bool:
    """Equal, and of one type: true is not 1."""
    return type(got) is type(want) and got == want


# operator, does it hold?, in words
OPERATORS: tuple[tuple[str, Callable[[Any, Any], bool], str], ...] = (
    ("eq", _same, "{}"),
    ("ne", lambda got, want: not _same(got, want), "anything but {}"),
    ("le", lambda got, want: _number(got) and got <= want, "at most {}"),
    ("ge", lambda got, want: _number(got) and got >= want, "at least {}"),
    ("in", lambda got, want: any(_same(got, one) for one in want), "one of {}"),
    ("has", lambda got, want: isinstance(got, list) and want in got, "a list with {}"),
    ("absent", lambda got, want: (got is None) is want, "null: {}"),
    ("integer", lambda got, want: _number(got) is want, "an integer: {}"),
)
# The same, against the answer to an earlier step.
RELATIONS: tuple[tuple[str, Callable[[Any, Any], bool], str], ...] = (
    ("not_above", lambda got, was: _number(got) and _number(was) and got <= was, "not above {}"),
    ("not_below", lambda got, was: _number(got) and _number(was) and got >= was, "not below {}"),
    ("same", _same, "the same as {}"),
)
WORDS = tuple(row[0] for row in OPERATORS + RELATIONS)


def missed(expect: Plain, answer: Plain, named: dict[str, Plain]) -> str:
    """Return what is not as expected, in words; all is well: "".

    `named`: the answers to earlier steps by name. Raises KeyError for an unknown step or operator.
    """
    for path, wanted in expect.items():
        found = look_up(answer, path)
        got = None if found is NOTHING else found  # absent is null
        for operator, value in wanted.items():
            for word, holds, words in OPERATORS:
                if word == operator and not holds(got, value):
                    return _told(path, words.format(_shown(value)), got)
            for word, holds, words in RELATIONS:
                if word == operator:
                    was = look_up(named[value], path)
                    was = None if was is NOTHING else was
                    if not holds(got, was):
                        return _told(path, words.format(f"{_shown(was)} ({value})"), got)
            if operator not in WORDS:
                raise KeyError(operator)
    return ""


def _told(path: str, words: str, got: object) -> str:
    return f"{path} expected {words}, got {_shown(got)}"


def _shown(value: object) -> str:
    return (
        "null" if value is None else str(value).lower() if isinstance(value, bool) else str(value)
    )
