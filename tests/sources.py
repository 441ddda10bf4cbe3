"""The repository's own files, as the house-rule tests read them."""

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parent.parent
CODE = ("aggregator", "adapters", "conformance", "tests")
TEXT = (".py", ".md", ".toml", ".mjs", ".json", ".jsonl", ".cir", ".txt", ".html", "")


@cache
def tree(path: str) -> ast.Module:
    """Return the syntax tree of a file, given relative to the top."""
    return ast.parse((ROOT / path).read_text(encoding="utf-8"))


def files(*folders: str, suffixes: tuple[str, ...] = (".py",)) -> list[str]:
    """Return the files in these folders, relative to the top; caches and builds left out."""
    found = []
    for folder in folders:
        for path in sorted((ROOT / folder).rglob("*")):
            place = path.relative_to(ROOT)
            hidden = any(part.startswith((".", "__pycache__")) for part in place.parts[1:])
            if path.is_file() and path.suffix in suffixes and not hidden:
                found.append(place.as_posix())
    return found


def texts() -> Iterator[tuple[str, str]]:
    """Yield every text file that people read or run: its place and its text."""
    top = [path.name for path in ROOT.iterdir() if path.is_file() and path.suffix in TEXT]
    tracked = [name for name in top if name != ".git"]
    for place in [*sorted(tracked), *files(*CODE, "docs", ".ci", suffixes=TEXT)]:
        yield place, (ROOT / place).read_text(encoding="utf-8")


def functions(path: str) -> Iterator[tuple[str, ast.FunctionDef]]:
    """Yield every function of a file with its dotted name."""

    def walk(node: ast.AST, names: tuple[str, ...]) -> Iterator[tuple[str, ast.FunctionDef]]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef):
                yield ".".join((*names, child.name)), child
            if isinstance(child, ast.FunctionDef | ast.ClassDef):
                yield from walk(child, (*names, child.name))
            else:
                yield from walk(child, names)

    yield from walk(tree(path), ())
