"""How strong is the kit? Bugs are sown into a small bridge, one at a time; each must be found.

`python -m conformance.mutants` prints the kill matrix: which vectors find each bug, and which
requirement fuzzing shows to be breached. A bug is one
line of the bridge's source, exchanged for another (bridge/catalogue.py).
"""

import argparse
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from importlib import resources
from itertools import count
from types import ModuleType

from attrs import frozen

from conformance.bridge.catalogue import MUTANTS, Mutant
from conformance.fuzz import fuzz
from conformance.judge import judge
from conformance.targets import Plain, Target, TargetError
from conformance.vectors import load

FILES = ("checks", "packs", "owner", "limits", "stages", "view", "bridge")
MISSES = ("must_missed", "should_missed", "error")
# How hard fuzzing tries on each bug: mode, stories, seeds.
TRIES = (("protocol", 40, (0,)), ("physical", 12, (0,)), ("protocol", 80, (1, 2, 3, 4)))
_numbers = count()


class MutantError(ValueError):
    """A mutant's old text does not stand in the bridge exactly once."""


def sown(mutant: Mutant | None) -> ModuleType:
    """Return the bridge's module, with one bug in it (None: clean). Raises MutantError."""
    package = f"_sown_{next(_numbers)}"
    sources = {
        name: resources.files("conformance.bridge").joinpath(name + ".py").read_text("utf-8")
        for name in FILES
    }
    if mutant is not None:
        found = [name for name in FILES if mutant.old in sources[name]]
        if len(found) != 1 or sources[found[0]].count(mutant.old) != 1:
            raise MutantError(f"{mutant.id}: {mutant.old!r} stands in {found or 'no file'}")
        sources[found[0]] = sources[found[0]].replace(mutant.old, mutant.new)
    sys.modules[package] = ModuleType(package)
    sys.modules[package].__path__ = []
    for name, source in sources.items():
        module = ModuleType(f"{package}.{name}")
        module.__package__ = package
        sys.modules[module.__name__] = module
        exec(compile(source, f"{package}/{name}.py", "exec"), module.__dict__)
    bridge = sys.modules[f"{package}.bridge"]
    for name in [package, *(f"{package}.{name}" for name in FILES)]:
        del sys.modules[name]
    return bridge


class SownBridge(Target):
    """The bridge, clean or with a bug, in this process."""

    def __init__(self, mutant: Mutant | None) -> None:
        super().__init__(mutant.id if mutant else "clean", lambda: None)  # type: ignore[arg-type, return-value]
        self._module = sown(mutant)
        self._bridge = self._module.Bridge()

    def ask(self, request: Plain) -> Plain:
        """Answer; a crash is no answer."""
        try:
            answer: Plain = self._bridge.answer(request)
        except Exception as error:
            raise TargetError(f"it crashed: {type(error).__name__}: {error}") from error
        return answer

    def _line(self, line: bytes) -> Plain | None:
        try:
            answer: Plain | None = self._module.answer_line(
                self._bridge, line.decode(errors="replace")
            )
        except Exception as error:
            raise TargetError(f"it crashed: {type(error).__name__}: {error}") from error
        return answer

    def exchange(self, line: bytes) -> Plain:
        """Answer a line."""
        answer = self._line(line)
        if answer is None:
            raise TargetError("no answer")
        return answer

    def tell(self, line: bytes) -> None:
        """Take a line that wants no answer."""
        if self._line(line) is not None:
            raise TargetError("it spoke without being asked")

    def close(self) -> str:
        """There is nothing to close."""
        return ""

    def reopen(self) -> None:
        """Start again."""
        self._bridge = self._module.Bridge()


@frozen
class Kill:
    """Who found a bug: ids of vectors, and the requirement that fuzzing showed to be breached."""

    id: str
    vectors: tuple[str, ...]
    fuzz: str


def found_by_fuzz(target: Target) -> str:
    """Return the requirement that fuzzing shows to be breached; empty: it found nothing."""
    for mode, stories, seeds in TRIES:
        for number in seeds:
            result = fuzz(target.ask, mode, stories, number, shrink=False)
            if result.failure is not None:
                return result.failure.breach.requirement
    return ""


def hunt(mutant: Mutant | None) -> Kill:
    """Let all vectors and the fuzzer at one bug (None: at the clean bridge)."""
    target = SownBridge(mutant)
    verdicts = judge(target, load())
    missed = tuple(verdict.case.id for verdict in verdicts if verdict.verdict in MISSES)
    return Kill(target.name, missed, found_by_fuzz(SownBridge(mutant)))


def matrix(workers: int) -> Iterator[Kill]:
    """Yield what finds each bug, the clean bridge first."""
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(hunt, (None, *MUTANTS))


def page(kills: list[Kill]) -> str:
    """Return the kill matrix as a page."""
    used = {name for kill in kills for name in kill.vectors}
    idle = [case.id for case in load() if case.id not in used]
    lines = [
        "# Kill matrix",
        "Printed by `python -m conformance.mutants`; do not edit.",
        "",
        f"{len(MUTANTS)} bugs were sown, one at a time, into the kit's own small bridge"
        " (`conformance/bridge/`). *Vectors*: how many find it, and the first of them. *Fuzz*: the"
        " requirement that made-up stories show to be breached. The clean bridge passes both.",
        "",
        "| bug | what it does | vectors | first | fuzz |",
        "| --- | --- | --- | --- | --- |",
    ]
    texts = {mutant.id: mutant.text for mutant in MUTANTS}
    for kill in kills:
        first = ", ".join(kill.vectors[:3]) or "**none**"
        row = (kill.id, texts[kill.id], len(kill.vectors), first, kill.fuzz or "**none**")
        lines.append("| " + " | ".join(map(str, row)) + " |")
    lines += [
        "",
        f"{len(idle)} of {len(load())} vectors find none of these bugs; they pin what no bug here"
        f" touches: {', '.join(idle) or 'none'}.",
        "",
    ]
    return "\n".join(lines)


def main() -> int:
    """Print the matrix; 1 if a bug survives, or the clean bridge fails."""
    parser = argparse.ArgumentParser(description="Print the kill matrix of the kit.")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    workers: int = parser.parse_args().workers
    kills = []
    for kill in matrix(workers):
        print(kill.id, len(kill.vectors), kill.fuzz or "-", file=sys.stderr, flush=True)
        kills.append(kill)
    clean, *sown_ = kills
    print(page(sown_), end="")
    survivors = [kill.id for kill in sown_ if not kill.vectors or not kill.fuzz]
    if survivors or clean.vectors or clean.fuzz:
        print(f"survivors: {survivors}; clean: {clean}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
