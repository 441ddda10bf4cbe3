"""Would the tests notice if the core were wrong? `python -m tests.mutants [MODULE...]`.

Makes mutmut's changes to the core's functions, one at a time, and runs the tests that reach them
(changes.py, trials.py). What no test notices is printed, unless same.toml says why it changes
nothing. Ends with 1 where something else survives, or where less than 90 % of a module is noticed.
"""

import argparse
import os
import sys
import tomllib
from collections import Counter
from pathlib import Path

import pytest

from tests.mutants.changes import changes
from tests.mutants.trials import Trial, Trials
from tests.sources import ROOT

MODULES = sorted(path.stem for path in (ROOT / "aggregator").glob("[!_]*.py"))
WANTED_PERCENT = 90
SAME = Path(__file__).with_name("same.toml")
# Tests of the core: quick, and through the front door where that is possible.
TESTS = [str(ROOT / name) for name in Path(__file__).with_name("tests.txt").read_text("utf-8").split()]


def known_to_be_the_same() -> set[tuple[str, str, str]]:
    """Return the changes that change nothing that can be seen."""
    entries = tomllib.loads(SAME.read_text("utf-8"))["same"]
    return {(entry["where"], entry["old"], entry["new"]) for entry in entries}


def key_of(trial: Trial) -> tuple[str, str, str]:
    """Return what same.toml knows a change by."""
    return trial.change.where, trial.change.old, trial.change.new


def tell(trial: Trial) -> None:
    """Print what survives, as an entry for same.toml."""
    if trial.outcome in ("survived", "not reached"):
        change = trial.change
        print(f"\n# {trial.outcome}, {len(trial.items)} tests\n[[same]]")
        print(f"where = '''{change.where}'''\nold = '''{change.old}'''\nnew = '''{change.new}'''")
        print('why = ""', flush=True)


def main() -> int:
    """Try, print, judge."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="all, if none is named")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1, help="processes")
    options = parser.parse_args()
    unknown = [name for name in options.modules if name not in MODULES]
    if unknown:
        parser.error(f"unknown module {unknown[0]}: expected one of {', '.join(MODULES)}")
    os.environ["HYPOTHESIS_PROFILE"] = "quick"
    same = known_to_be_the_same()
    todo = [change for name in options.modules or MODULES for change in changes(name)]
    trials = Trials(
        todo, options.workers, lambda trial: None if key_of(trial) in same else tell(trial)
    )
    quiet = ["-p", "no:cacheprovider", "-p", "no:terminal", "-o", "addopts=--import-mode=importlib"]
    pytest.main([*quiet, f"--rootdir={ROOT}", *TESTS], plugins=[trials])
    if trials.broken or not trials.done:
        print(f"without any change, these fail: {trials.broken or 'no test was run'}")
        return 1
    return verdict(trials.done, same)


def verdict(done: list[Trial], same: set[tuple[str, str, str]]) -> int:
    """Print a table, and say whether it is good enough."""
    print("\n| module | tried | noticed | late | same | survived |\n| --- | ---: | ---: | ---: | ---: | ---: |")
    short = 0
    counts: dict[str, Counter[str]] = {}
    for trial in done:
        is_known = key_of(trial) in same and trial.outcome in ("survived", "not reached")
        outcome = "same" if is_known else trial.outcome
        module = trial.change.where.partition(".")[0]
        counts.setdefault(module, Counter())[outcome.replace("not reached", "survived")] += 1
    for module, count in counts.items():
        tried = count.total()
        noticed = 100 * (count["noticed"] + count["late"]) / tried
        print(
            f"| {module} | {tried} | {count['noticed']} ({noticed:.0f} %) | {count['late']} |"
            f" {count['same']} | {count['survived']} |"
        )
        short += noticed < WANTED_PERCENT or count["survived"] > 0
    print(f"\nmodules: {len(counts) - short} passed, {short} failed", file=sys.stderr)
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())
