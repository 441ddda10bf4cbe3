"""The core is the subset of Python that MicroPython runs alike: no floats, no imports, no surprises.

Source of the table: cases tried on MicroPython 1.22 to 1.29, unix and WebAssembly builds, by this
project; `tests/parity` runs the core there.
"""

import ast
import json
from collections.abc import Iterator

import pytest

from aggregator import __version__
from tests.sources import ROOT, files, tree

CORE = files("aggregator")
# Adapters that run on a board, too; but for what an owner's file is read into, and playing the
# other side.
HOST_ONLY = ("settings.py", "opposite.py", "lines.py")
TALKERS = [
    path
    for path in files("adapters/jsonlines", "adapters/rvc", "adapters/contacts")
    if path.rsplit("/", 1)[1] not in HOST_ONLY
]
BOARD_SAFE = ["adapters/__init__.py", "adapters/counts.py", *TALKERS]

# Names that a board lacks, or that answer differently there.
NAMES = {
    "float": "no floats: many boards have only 32 bits of them",
    "complex": "no floats",
    "open": "no I/O in the core",
    "print": "no I/O in the core",
    "input": "no I/O in the core",
    "eval": "no code from data",
    "exec": "no code from data",
    "id": "differs from run to run",
    "vars": "missing on MicroPython",
    "const": "a private constant vanishes from its module on MicroPython",
}
ATTRIBUTES = {
    "bit_length": "missing on MicroPython",
    "bit_count": "missing on MicroPython",
    "is_integer": "missing on MicroPython",
    "zfill": "missing on MicroPython",
    "ljust": "missing on MicroPython",
    "rjust": "missing on MicroPython",
    "removeprefix": "missing on MicroPython",
    "removesuffix": "missing on MicroPython",
    "items": "the order of a dict is not that of insertion on MicroPython",
    "keys": "likewise: iterate over a list of names",
    "values": "likewise: iterate over a list of names",
    "popitem": "likewise",
    "__doc__": "missing on MicroPython",
    "__qualname__": "missing on MicroPython",
    "__annotations__": "missing on MicroPython",
    "__cause__": "missing on MicroPython",
}
KEYWORDS = {
    "strict": "zip has no strict on MicroPython",
    "signed": "to_bytes and from_bytes lack it before 1.29",
    "maxlen": "deque takes it by position on MicroPython",
    "sort_keys": "json lacks it on MicroPython",
    "indent": "json lacks it on MicroPython",
}
SYNTAX: dict[type[ast.AST], str] = {
    ast.Match: "a syntax error on MicroPython",
    ast.AsyncFunctionDef: "the core has no event loop",
    ast.Await: "the core has no event loop",
    ast.Set: "the order of a set is nobody's promise",
    ast.SetComp: "the order of a set is nobody's promise",
    ast.Global: "state lives in objects",
    ast.Import: "the core imports itself only, relatively",
    ast.TryStar: "exception groups are missing on MicroPython",
}
DECORATORS = ("property", "staticmethod", "classmethod")


def _syntax(node: ast.AST) -> str | None:
    """Say what is wrong with the shape of one node."""
    for kind, reason in SYNTAX.items():
        if isinstance(node, kind):
            return reason
    match node:
        case ast.Constant(value=float() | complex()):
            return "no floats"
        case ast.BinOp(op=ast.Div()) | ast.AugAssign(op=ast.Div()):
            return "division makes a float: use //"
        case ast.arguments(posonlyargs=[_, *_]):
            return "positional-only arguments are a syntax error on MicroPython"
        case ast.List() | ast.Tuple() if any(isinstance(e, ast.Starred) for e in node.elts):
            return "star displays are a syntax error on MicroPython"
        case ast.Dict() if None in node.keys:
            return "{**a} is a syntax error on MicroPython"
        case ast.With() if len(node.items) > 1:
            return "a with of several may be a syntax error on MicroPython"
        case ast.Raise(cause=ast.expr()):
            return "raise ... from prints a warning on MicroPython"
        case ast.ClassDef(keywords=[_, *_]):
            return "class keywords are missing on MicroPython"
        case ast.FunctionDef() | ast.ClassDef():
            names = [n.id if isinstance(n, ast.Name) else "" for n in node.decorator_list]
            return "no decorators" if set(names) - set(DECORATORS) else None
    return None


def _names(node: ast.AST) -> str | None:
    """Say what is wrong with the names one node uses."""
    match node:
        case ast.Name(id=name, ctx=ast.Load()) if name in NAMES:
            return NAMES[name]
        case ast.Attribute(attr=name) if name in ATTRIBUTES:
            return ATTRIBUTES[name]
        case ast.Call(func=ast.Name(id="isinstance"), args=[_, ast.Name(id="int" | "bool")]):
            return "isinstance(True, int) differs: compare type(x)"
        case ast.Call(func=ast.Name(id="round"), args=[_]):
            return "round() hides which way: say floor or ceiling"
        case ast.keyword(arg=str(name)) if name in KEYWORDS:
            return KEYWORDS[name]
        case ast.ImportFrom(level=0):
            return "the core imports itself only, relatively"
    return None


def wrong(module: ast.Module) -> Iterator[str]:
    """Yield what a board would not run alike."""
    for node in ast.walk(module):
        for reason in (_syntax(node), _names(node)):
            if reason is not None:
                yield f"line {getattr(node, 'lineno', '?')}: {reason}"


@pytest.mark.parametrize("path", CORE)
def test_core_file_is_in_the_subset(path: str) -> None:
    """Nothing in the core is missing or different on a board."""
    assert not list(wrong(tree(path)))


@pytest.mark.parametrize("path", BOARD_SAFE)
def test_board_safe_adapter_is_in_the_subset(path: str) -> None:
    """Adapters for boards, likewise; they import the core, counters and their own folder."""
    assert not [what for what in wrong(tree(path)) if "imports itself" not in what]
    own = ".".join(path.split("/")[:2])
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.ImportFrom):
            start = str(node.module).split(".")
            assert start[0] == "aggregator" or ".".join(start[:2]) in (own, "adapters.counts")
        assert not isinstance(node, ast.Import)


def test_mip_manifest_lists_the_board_safe_adapters() -> None:
    """adapters/package.json installs every file that a board can use, and tells our version."""
    path = ROOT / "adapters" / "package.json"
    expected = {
        "urls": [[name, name.removeprefix("adapters/")] for name in BOARD_SAFE],
        "deps": [],
        "version": __version__,
    }
    text = json.dumps(expected, indent=1) + "\n"
    assert path.read_text(encoding="utf-8") == text, f"write this to {path.name}:\n{text}"


def test_device_is_in_the_subset_but_for_its_imports() -> None:
    """The device of the driver protocol runs on a board; it may import, and write lines."""
    module = tree("conformance/device.py")
    assert not [what for what in wrong(module) if "imports itself" not in what]
    imports = [node for node in ast.walk(module) if isinstance(node, ast.Import | ast.ImportFrom)]
    assert {
        alias.name if isinstance(node, ast.Import) else str(node.module)
        for node in imports
        for alias in node.names
    } <= {"json", "sys", "aggregator", "aggregator.errors", "aggregator.plain"}


BAD = [
    ("x = 1.5", "float"),
    ("x = a / b", "division"),
    ("x /= 2", "division"),
    ("import time", "imports itself"),
    ("from typing import Any", "imports itself"),
    ("def f(a, /): pass", "positional-only"),
    ("x = [*a, 1]", "star"),
    ("x = {**a}", "{**a}"),
    ("match x:\n    case 1: pass", "syntax error"),
    ("raise A from b", "from"),
    ("class A(metaclass=B): pass", "class keywords"),
    ("@cache\ndef f(): pass", "decorators"),
    ("isinstance(x, int)", "isinstance"),
    ("x.bit_length()", "missing"),
    ("for k in d.items(): pass", "order"),
    ("x = {1, 2}", "order"),
    ("zip(a, b, strict=True)", "strict"),
    ("print(x)", "I/O"),
]


@pytest.mark.parametrize(("code", "reason"), BAD)
def test_rule_finds_what_it_bans(code: str, reason: str) -> None:
    """Each ban sees an example of what it bans."""
    found = list(wrong(ast.parse(code)))
    assert any(reason in what for what in found), found
