"""Deliberate mistakes in the core's functions, as mutmut makes them: one at a time, one place each.

mutmut's own runner leads every call of the core through a switch, which makes a step fifteen times
as slow. Here a function's code is exchanged instead: whoever holds the function has the mistake.
"""

import ast
import difflib
import importlib
from collections.abc import Iterator
from types import CodeType, FunctionType, ModuleType

from attrs import frozen
from mutmut.mutation.file_mutation import mutate_file_contents
from mutmut.utils.format_utils import parse_mutant_key

from tests.sources import ROOT

ORIGINAL = "__mutmut_orig"
NUMBERED = "__mutmut_"


@frozen
class Change:
    """A function of the core, its exchange, and the lines in which they differ."""

    where: str  # module.function or module.Class.function
    old: str
    new: str
    function: FunctionType
    mistaken: FunctionType

    def make(self) -> None:
        """Put the mistake into the running core, for good."""
        self.function.__code__ = self.mistaken.__code__
        self.function.__defaults__ = self.mistaken.__defaults__
        self.function.__kwdefaults__ = self.mistaken.__kwdefaults__

    @property
    def module(self) -> str:
        """The module it is in."""
        return self.where.partition(".")[0]

    @property
    def code(self) -> CodeType:
        """The code as it is without the mistake: how a tracer knows the function."""
        return self.function.__code__


def _definitions(source: str) -> dict[str, ast.FunctionDef]:
    """Return all functions of a module and of its classes, by their mangled names."""
    found = {}
    for node in ast.parse(source).body:
        for inner in node.body if isinstance(node, ast.ClassDef) else [node]:
            if isinstance(inner, ast.FunctionDef):
                found[inner.name] = inner
    return found


def _lines(node: ast.FunctionDef) -> list[str]:
    """Return a function's text as lines: the parameters, a line each, and the body."""
    first, *body = ast.unparse(node).splitlines()
    return [*first.partition("(")[2].split(", "), *body]


def _difference(before: ast.FunctionDef, after: ast.FunctionDef) -> tuple[str, str]:
    """Return what of the function's text is no longer there, and what is there instead."""
    told = list(difflib.ndiff(_lines(before), _lines(after)))
    old, new = (" ".join(line[2:].strip() for line in told if line[0] == sign) for sign in "-+")
    return old, new


def _made(node: ast.FunctionDef, module: ModuleType) -> FunctionType:
    """Return the function that `node` defines, with the names of its module. It is made within a
    class, as `super()` needs one: the exchange keeps the real one."""
    names = dict(vars(module))
    body = ast.Module([ast.ClassDef("Holder", [], [], [node], [])], [])
    exec(compile(ast.fix_missing_locations(body), module.__name__, "exec"), names)
    made: FunctionType = vars(names["Holder"])[node.name]
    return made


def changes(module: str) -> Iterator[Change]:
    """Yield every change mutmut makes to a module of the core, in its order."""
    path = ROOT / "aggregator" / f"{module}.py"
    mutated = mutate_file_contents(str(path), path.read_text("utf-8"))
    nodes = _definitions(mutated.code)
    living = importlib.import_module(f"aggregator.{module}")
    for name in mutated.mutant_names:
        function_name, holder = parse_mutant_key(name.partition(NUMBERED)[0])
        held = vars(getattr(living, holder) if holder else living)[function_name]
        function = held.fget if isinstance(held, property) else held
        node = nodes[name]
        original = nodes[name.partition(NUMBERED)[0] + ORIGINAL]
        old, new = _difference(original, node)
        where = ".".join(part for part in (module, holder, function_name) if part)
        yield Change(where, old, new, function, _made(node, living))
