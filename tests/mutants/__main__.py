"""Would the tests notice if the core were wrong? `python -m tests.mutants [MODULE...]`.

Makes mutmut's changes to the core's functions, one at a time, and runs the tests that reach them
(changes.py, trials.py). What no test notices is printed as an entry for same/MODULE.toml, where it
belongs if it changes nothing that can be seen, with the reason; else a test is missing. Ends with 1
where an entry fits no change or is noticed after all, or where less than 90 % is noticed of a
module's changes that change something.
"""

import argparse
import os
import sys
import tomllib
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import pytest

from tests.mutants.changes import Change, changes
from tests.mutants.trials import Trial, Trials
from tests.sources import ROOT

MODULES = sorted(path.stem for path in (ROOT / "aggregator").glob("[!_]*.py"))
WANTED_PERCENT = 90
HERE = Path(__file__).parent
# Tests of the core that are quick.
TESTS = [str(ROOT / name) for name in (HERE / "tests.txt").read_text("utf-8").split()]
# pytest without its own report, and without this project's options for it.
QUIETLY = ["-p", "no:cacheprovider", "-p", "no:terminal", "-o", "addopts=--import-mode=importlib"]

Key = tuple[str, str, str]  # a function, a piece of its text, and what stands there instead


def key_of(change: Change) -> Key:
    """Return what a change is known by."""
    return change.where, change.old, change.new


def listed(path: Path) -> list[Key]:
    """Return the changes in a file of this tool's entries; no file, none."""
    if not path.exists():
        return []
    entries = tomllib.loads(path.read_text("utf-8")).get("same", [])
    for entry in entries:
        if path.parent.name == "same" and not entry["why"]:
            raise SystemExit(f"{path}: {entry['where']}: expected a reason in `why`")
    return [(entry["where"], entry["old"], entry["new"]) for entry in entries]


def same_in(modules: Iterable[str]) -> list[Key]:
    """Return the changes that change nothing that can be seen, in these modules."""
    return [key for module in modules for key in listed(HERE / "same" / f"{module}.toml")]


def tell(trial: Trial) -> None:
    """Print a change that survived."""
    change = trial.change
    print(f"\n# {trial.outcome}; {len(trial.items)} tests reach it\n[[same]]")
    print(f"where = '''{change.where}'''\nold = '''{change.old}'''\nnew = '''{change.new}'''")
    print('why = ""', flush=True)


def verdict(done: list[Trial], same: set[Key]) -> int:
    """Print a table; return how many modules fall short.

    The share is of the changes that change something, as is usual for such scores.
    """
    print(
        "\n| module | tried | noticed | of them by time | the same | survived | noticed, of what differs |"
    )
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    counts: dict[str, Counter[str]] = {}
    for trial in done:
        known = trial.survived and key_of(trial.change) in same
        counts.setdefault(trial.change.module, Counter())["same" if known else trial.outcome] += 1
    short = 0
    for module, count in counts.items():
        noticed = count["noticed"] + count["late"]
        survived = count["survived"] + count["not reached"]
        percent = 100 * noticed / max(1, noticed + survived)
        short += percent < WANTED_PERCENT
        cells = [module, count.total(), noticed, count["late"], count["same"], survived]
        print("| " + " | ".join(str(cell) for cell in cells) + f" | {percent:.1f} % |")
    return short


def main() -> int:
    """Try, print, judge."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="all, if none is named")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument("--listed", type=Path, help="only what stands in this file of entries")
    parser.add_argument(
        "--tests", nargs="+", default=TESTS, help="those in tests.txt, if not these"
    )
    parser.add_argument("--every", type=int, default=1, metavar="N", help="only every Nth change")
    options = parser.parse_args()
    unknown = [name for name in options.modules if name not in MODULES]
    if unknown:
        parser.error(f"unknown module {unknown[0]}: expected one of {', '.join(MODULES)}")
    modules = options.modules or MODULES
    same = same_in(modules)
    todo = [change for name in modules for change in changes(name)]
    stale = set(same) - {key_of(change) for change in todo}
    todo = todo[:: options.every]
    if options.listed is not None:
        wanted = set(listed(options.listed))
        todo = [change for change in todo if key_of(change) in wanted]
    os.environ["HYPOTHESIS_PROFILE"] = "quick"

    def note(trial: Trial) -> None:
        if trial.survived and key_of(trial.change) not in same:
            tell(trial)
        if not trial.survived and key_of(trial.change) in same:
            stale.add(key_of(trial.change))

    trials = Trials(todo, options.workers, note)
    pytest.main([*QUIETLY, f"--rootdir={ROOT}", *options.tests], plugins=[trials])
    if trials.broken or not trials.done:
        print(f"without any change, these fail: {trials.broken or 'no test was run'}")
        return 1
    short = verdict(trials.done, set(same))
    for where, old, new in sorted(stale):
        print(f"{where}: {old!r} -> {new!r} fits no change, or a test notices it: strike it out")
    return 1 if short or stale else 0


if __name__ == "__main__":
    sys.exit(main())
