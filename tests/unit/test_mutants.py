"""Deliberate mistakes in the core: the tool that tries them tells those that a test notices."""

import subprocess
import sys

from tests.mutants.changes import changes
from tests.sources import ROOT


def tried(*options: str) -> subprocess.CompletedProcess[str]:
    """Try some changes to the ramp."""
    command = [sys.executable, "-m", "tests.mutants", "ramp", "--every", "3", *options]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=300)


def test_mistakes_in_the_ramp_are_noticed_by_its_own_test() -> None:
    """The table says so, and nothing survives of what differs."""
    done = tried("--tests", "tests/property/test_loss_and_ramp_arithmetic.py")
    assert "| ramp |" in done.stdout
    assert done.returncode == 0, done.stdout


def test_what_no_test_reaches_is_printed_and_fails() -> None:
    """As an entry with the old text and the new."""
    done = tried("--tests", "tests/unit/test_ticks.py")
    assert done.returncode == 1
    assert "# not reached; 0 tests reach it" in done.stdout
    assert "where = '''ramp.Limit.climb'''" in done.stdout


def test_a_broken_test_is_told_beforehand() -> None:
    """Without a change every test must pass; else nothing would be told by one that fails."""
    done = tried("--tests", "tests/unit/no_such_test.py")
    assert done.returncode == 1
    assert "no test was run" in done.stdout


def test_every_change_can_be_made() -> None:
    """A function's code can be exchanged for the mistaken one: as many free variables, and a difference."""
    for module in ("errors", "limits", "view"):
        for change in changes(module):
            here, there = change.function.__code__, change.mistaken.__code__
            assert here.co_freevars == there.co_freevars
            assert change.old != change.new
