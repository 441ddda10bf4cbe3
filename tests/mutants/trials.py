"""Tries changes: each in a process of its own, split off when pytest has collected the tests.

First every test is run on the core as it is, and it is noted which functions it reaches and how
long it takes. A change is given to the tests that reach its function: first those that have found
others in it, then those that have in its module, then the quickest. The first test that fails ends the trial.
"""

import os
import resource
import signal
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from types import CodeType, FrameType

import pytest
from _pytest.runner import runtestprotocol
from attrs import define, field

from tests.mutants.changes import Change

MEMORY = 4 << 30  # bytes a trial may take: some mistakes fill it
# How long a test may take with a mistake: so many times as long as without it (and watched, which
# slows it down threefold), and so many seconds more.
PATIENCE = 2
PATIENCE_S = 1
SURVIVED = 0
NOTICED = 1
IMPOSSIBLE = 2


@define
class Trial:
    """A change, the tests that reach it, and what came of it: `noticed` by a test, `late` (it ran out
    of time or memory), `survived` or `not reached`."""

    change: Change
    items: list[int]
    outcome: str = ""

    @property
    def survived(self) -> bool:
        """Did nothing notice it?"""
        return self.outcome in ("survived", "not reached")


@define
class Trials:
    """A plugin of pytest that tries changes instead of running tests."""

    changes: Sequence[Change]
    workers: int
    tell: Callable[[Trial], None]
    done: list[Trial] = field(factory=list)
    broken: list[str] = field(factory=list)
    _reached: dict[CodeType, list[int]] = field(factory=dict)
    _took_s: list[float] = field(factory=list)
    # Tests that found mistakes: in a function, and in a module.
    _finders: dict[str, Counter[int]] = field(factory=lambda: defaultdict(Counter))

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Run every test as it is, then the changes."""
        for change in self.changes:
            self._reached[change.code] = []
        for number, item in enumerate(session.items):
            self._watch(session, number, item)
        if not self.broken:
            self._try_all(session)
        return True

    def _watch(self, session: pytest.Session, number: int, item: pytest.Item) -> None:
        seen: set[CodeType] = set()

        def note(frame: FrameType, event: str, _: object) -> None:
            if event == "call":
                seen.add(frame.f_code)

        following = session.items[number + 1] if number + 1 < len(session.items) else None
        start = time.process_time()
        sys.setprofile(note)
        reports = runtestprotocol(item, log=False, nextitem=following)
        sys.setprofile(None)
        self._took_s.append(time.process_time() - start)
        if any(report.failed for report in reports):
            self.broken.append(item.nodeid)
        for code in seen & self._reached.keys():
            self._reached[code].append(number)

    def _order(self, change: Change) -> list[int]:
        here, near = self._finders[change.where], self._finders[change.module]
        reached = self._reached[change.code]
        return sorted(reached, key=lambda n: (-here[n], -near[n], self._took_s[n]))

    def _try_all(self, session: pytest.Session) -> None:
        running: dict[int, tuple[Trial, int]] = {}
        waiting = list(reversed(self.changes))
        while waiting or running:
            while waiting and len(running) < self.workers:
                change = waiting.pop()
                trial = Trial(change, self._order(change))
                into, out = os.pipe()
                child = os.fork()
                if child == 0:
                    self._try_one(session, trial, out)
                os.close(out)
                running[child] = trial, into
            child, status = os.wait()
            trial, into = running.pop(child)
            self._note(trial, status, os.read(into, 16))
            os.close(into)

    def _try_one(self, session: pytest.Session, trial: Trial, out: int) -> None:
        """Make the mistake, run the tests, end the process."""
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        signal.signal(signal.SIGVTALRM, signal.SIG_DFL)
        try:
            trial.change.make()
        except ValueError:
            os._exit(IMPOSSIBLE)
        for number in trial.items:
            signal.setitimer(signal.ITIMER_VIRTUAL, PATIENCE_S + PATIENCE * self._took_s[number])
            reports = runtestprotocol(session.items[number], log=False, nextitem=None)
            if any(report.failed for report in reports):
                os.write(out, b"%d" % number)
                os._exit(NOTICED)
        os._exit(SURVIVED)

    def _note(self, trial: Trial, status: int, found: bytes) -> None:
        code = os.WEXITSTATUS(status) if os.WIFEXITED(status) else None
        if code == IMPOSSIBLE:
            raise RuntimeError(f"{trial.change.where}: its code cannot be exchanged")
        if code == SURVIVED:
            trial.outcome = "survived" if trial.items else "not reached"
        elif found:
            trial.outcome = "noticed"
            for place in (trial.change.where, trial.change.module):
                self._finders[place][int(found)] += 1
        else:
            trial.outcome = "late"
        self.done.append(trial)
        self.tell(trial)
