"""How strong is the kit? Bugs are sown into a small bridge, one at a time; each must be found twice.

`python -m conformance.mutants` prints the kill matrix (kill_matrix.py): which vectors find each bug,
and how soon fuzzing does. It ends with 1 if a bug survives either, if the clean bridge fails, or if
a vector that finds nothing is not marked as an example, or one that does is. A bug is one place in
the bridge's source, exchanged for another (bridge/bugs.toml). Stories are made up from fixed seeds,
once, on the clean bridge, and every bug is told all of them until one shows a breach.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import cache
from importlib import resources
from itertools import count
from pathlib import Path
from types import ModuleType

from conformance.bridge.catalogue import MUTANTS, Mutant
from conformance.fuzz import Result
from conformance.fuzzing.told import Told, make_up, retell
from conformance.judge import judge
from conformance.kill_matrix import Found, Kill, page, shortcomings, without_fuzz
from conformance.targets import Plain, Target, TargetError
from conformance.vectors import Case, load

FILES = ("checks", "packs", "owner", "limits", "stages", "view", "bridge")
MISSES = ("must_missed", "should_missed", "error")
# How hard fuzzing tries on each bug, in this order: mode, stories, seed.
TRIES = (
    ("protocol", 40, 0),
    ("wire", 10, 0),
    ("physical", 12, 0),
    *(("protocol", 60, number) for number in (1, 2, 3, 4, 5, 6, 7)),
)
Stories = Sequence[Told]
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


@cache
def cases() -> tuple[Case, ...]:
    """The kit's vectors, read once a process."""
    return load()


def found_by_vectors(target: Target) -> tuple[str, ...]:
    """Return the ids of the vectors that find something."""
    return tuple(one.case.id for one in judge(target, cases()) if one.verdict in MISSES)


def found_by_fuzz(target: Target, stories: Iterable[Told]) -> Found | None:
    """Tell stories until one shows a breach; None: they found nothing."""
    told: Counter[str] = Counter()
    for story in stories:
        told[story.mode] += 1
        error = retell(story, target)
        if error is not None:
            return Found(story.mode, told[story.mode], error.breach.requirement)
    return None


def fuzz_clean(mode: str, stories: int, number: int) -> tuple[Result, list[Told]]:
    """Make stories up on the clean bridge."""
    return make_up(SownBridge(None), mode, stories, number)


def hunt(mutant: Mutant) -> Kill:
    """Let all vectors and all stories at one bug."""
    target = SownBridge(mutant)
    vectors = found_by_vectors(target)
    return Kill(mutant.id, vectors, found_by_fuzz(target, _stories), asked=bool(_stories))


def hunt_clean(pool: ProcessPoolExecutor, fuzzing: bool) -> tuple[Kill, list[Told]]:
    """Let all vectors and the fuzzer at the clean bridge; return the stories that were made up."""
    tries = [pool.submit(fuzz_clean, *one) for one in TRIES] if fuzzing else []
    vectors = found_by_vectors(SownBridge(None))
    stories: list[Told] = []
    found = None
    for (mode, *_), made in zip(TRIES, tries, strict=False):
        result, told = made.result()
        stories += told
        if found is None and result.failure is not None:
            count_ = sum(story.mode == mode for story in stories)
            found = Found(mode, count_, result.failure.breach.requirement)
    return Kill("clean", vectors, found, fuzzing), stories


def hunt_all(mutants: Sequence[Mutant], workers: int, fuzzing: bool = True) -> Iterator[Kill]:
    """Yield what finds something in the clean bridge, and then each bug, in their order."""
    with ProcessPoolExecutor(workers) as pool:
        clean, stories = hunt_clean(pool, fuzzing)
    yield clean
    with ProcessPoolExecutor(workers, initializer=_know, initargs=(stories,)) as pool:
        yield from pool.map(hunt, mutants)


_stories: Stories = ()  # of a worker


def _know(stories: Stories) -> None:
    global _stories  # handed over once for each process, not for each bug
    _stories = stories


def main() -> int:
    """Print the matrix; 1 if the kit is not as strong as it must be."""
    parser = argparse.ArgumentParser(description="Print the kill matrix of the kit.")
    parser.add_argument("--workers", type=int, default=2, help="processes (2)")
    parser.add_argument(
        "--check", metavar="PAGE", type=Path, help="say only where this page is out of date"
    )
    parser.add_argument(
        "--vectors-only", action="store_true", help="do not fuzz: for whoever works on vectors"
    )
    chosen = parser.parse_args()
    kills = []
    for kill in hunt_all(MUTANTS, chosen.workers, not chosen.vectors_only):
        print(kill.id, len(kill.vectors), kill.fuzz or "-", file=sys.stderr, flush=True)
        kills.append(kill)
    clean, *sown_ = kills
    complaints = shortcomings(clean, sown_, cases())
    printed = page(sown_, cases())
    if chosen.check is None:
        print(printed, end="")
    elif without_fuzz(printed) != without_fuzz(chosen.check.read_text(encoding="utf-8")):
        complaints.append(f"{chosen.check}: out of date; python -m conformance.mutants prints it")
    for complaint in complaints:
        print(complaint, file=sys.stderr)
    return 1 if complaints else 0


if __name__ == "__main__":
    sys.exit(main())
