"""docs/reference/links.md, printed from the gateway's catalogue and the settings classes it names.

A setting's documentation is the comment beside or above it in its class.
"""

import ast
import inspect
import textwrap
import tokenize
from collections.abc import Iterator
from io import StringIO
from typing import Any

from attrs import NOTHING, fields

from adapters.gateway.catalogue import KINDS
from adapters.gateway.settings import GatewaySettings

Cells = tuple[object, ...]


def comments(record: type) -> dict[str, str]:
    """Return {field: its comment} of an attrs class and of those it inherits from."""
    found: dict[str, str] = {}
    for one in reversed(record.__mro__):
        if hasattr(one, "__attrs_attrs__"):
            found |= dict(_comments(textwrap.dedent(inspect.getsource(one))))
    return found


def _comments(source: str) -> Iterator[tuple[str, str]]:
    notes = {
        token.start[0]: (token.string.lstrip("# "), token.line.lstrip().startswith("#"))
        for token in tokenize.generate_tokens(StringIO(source).readline)
        if token.type == tokenize.COMMENT
    }
    (record,) = ast.parse(source).body
    assert isinstance(record, ast.ClassDef)
    for node in record.body:
        if not isinstance(node, ast.AnnAssign) or not isinstance(node.target, ast.Name):
            continue
        above: list[str] = []
        line = node.lineno - 1
        while line in notes and notes[line][1]:
            above.insert(0, notes[line][0])
            line -= 1
        last = node.end_lineno or node.lineno
        beside = [notes[line][0] for line in range(node.lineno, last + 1) if line in notes]
        text = " ".join(
            one for one in above + beside if not one.startswith(("fmt:", "type:", "noqa"))
        )
        yield node.target.id, text


def rows(record: type) -> Iterator[Cells]:
    """Yield a row for each setting: key, default, what it is."""
    told = comments(record)
    for one in fields(record):
        if one.name.startswith("_"):
            continue
        yield f"`{one.name}`", _default(one.default), told.get(one.name, "").replace("|", "\\|")


def _default(default: Any) -> str:
    if default is NOTHING:
        return "must be given"
    if hasattr(default, "factory"):
        default = default.factory()
    if default is None:
        return "left out"
    return f"`{str(default).lower() if isinstance(default, bool) else default!r}`".replace("'", '"')


def sections() -> Iterator[tuple[str, str, list[Cells]]]:
    """Yield (heading, text, rows) for the gateway, each kind of link, and each talker once."""
    yield "[gateway]", _first(GatewaySettings), list(rows(GatewaySettings))
    shown: dict[tuple[str, str], list[str]] = {}
    talkers: dict[tuple[str, str], type] = {}
    for name, row in KINDS.items():
        kind = row.load()
        extra = f" Needs `pip install 'packyoke[{row.extra}]'`." if row.extra else ""
        hears = ", ".join(f"`{one}`" for one in kind.hears) or "nothing"
        says = ", ".join(f"`{one}`" for one in kind.says) or "nothing"
        text = f"{_first(kind.settings)}{extra} Hears {hears}; says {says}."
        yield f'[[links]] kind = "{name}"', text, list(rows(kind.settings))
        for way, those in (("hears", kind.hears), ("says", kind.says)):
            for talker, made in those.items():
                key = (way, f"{talker} {made.settings.__module__}.{made.settings.__name__}")
                talkers[key] = made.settings
                shown.setdefault(key, []).append(name)
    for (way, key), settings in talkers.items():
        on = ", ".join(f"`{kind}`" for kind in shown[way, key])
        heading = f'[[links.{way}]] as = "{key.split()[0]}"'
        yield heading, f"On {on}. {_first(settings)}", list(rows(settings))


def _first(record: type) -> str:
    """Return the docstring's first paragraph, without what the heading says already."""
    text = " ".join((inspect.getdoc(record) or "").split("\n\n")[0].split())
    _, colon, rest = text.partition("`: ")
    if text.startswith("`[[") and colon:
        text = rest[0].upper() + rest[1:]
    elif text.startswith("`[["):
        text = ""
    return text if not text or text.endswith(".") else text + "."
