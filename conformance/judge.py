"""Tell a bridge the vectors' stories, and judge what comes back.

Every case ends in one verdict:

    pass            everything was as it must be
    must_missed     a MUST was not met
    should_missed   a SHOULD was not met
    may_differs     a MAY is done differently
    error           it could not be judged: no answer, no JSON, a dead process
    skip            the bridge says that it does not support what the case needs

After an error the target is cut off and opened anew, so that the rest is still judged.
"""

import json
from collections.abc import Callable, Iterable, Iterator
from time import monotonic, sleep
from typing import Any

from attrs import evolve, frozen

from conformance.expect import Plain, missed
from conformance.oracle import Breach
from conformance.requirements import level_of
from conformance.targets import Target, TargetError
from conformance.vectors import Case, Step

PASS, ERROR, SKIP = "pass", "error", "skip"
MISSED = {"must": "must_missed", "should": "should_missed", "may": "may_differs"}
VERDICTS = (PASS, *MISSED.values(), ERROR, SKIP)

PROFILES = {
    "basic": ("merge", "limits", "silence", "requests"),
    "timed": ("merge", "limits", "silence", "requests", "stages"),
    "wire": ("wire",),
    "all": ("merge", "limits", "silence", "requests", "stages", "wire"),
}
GIVE_UP_AFTER = 4  # cases in a row in which nothing but hello was answered
OPTIONAL = ("bus", "why", "snapshot", "restore", "may_speak")  # operations a bridge may leave out
LONGEST_REAL_MS = 120_000  # of a case, where the driver's time has to be waited for


@frozen
class Verdict:
    """What became of one case. `sent`, `came`: the request and answer it turned on."""

    case: Case
    verdict: str
    detail: str = ""
    sent: str = ""
    came: Plain | None = None


@frozen
class Identity:
    """What a bridge says about itself."""

    name: str
    version: str
    supports: tuple[str, ...]

    @property
    def virtual_time(self) -> bool:
        """Does the driver's time rule, or must it be waited for?"""
        return "time" in self.supports


def identify(target: Target) -> Identity:
    """Ask a bridge who it is. Raises TargetError."""
    answer = target.ask({"op": "hello", "kit": 1})
    supports = answer.get("supports")
    return Identity(
        name=str(answer.get("name", "unnamed")),
        version=str(answer.get("version", "?")),
        supports=tuple(map(str, supports)) if isinstance(supports, list) else (),
    )


class Judge:
    """Judges one target, case by case."""

    def __init__(
        self,
        target: Target,
        wait: Callable[[float], object] = sleep,
        now_s: Callable[[], float] = monotonic,
    ) -> None:
        self.target = target
        self.identity: Identity | None = None  # of the target as it is open now
        self.last_identity: Identity | None = None  # of whoever last said hello
        self._wait, self._now_s = wait, now_s
        self._silent = 0  # cases in a row with nothing answered
        self._answered = False  # in this case

    def each(self, cases: Iterable[Case]) -> Iterator[Verdict]:
        """Yield a verdict for every case, whatever the target does."""
        for case in cases:
            if self._silent >= GIVE_UP_AFTER:
                text = f"not asked: it did not answer {GIVE_UP_AFTER} times in a row"
                yield Verdict(case, ERROR, text)
                continue
            yield self.one(case)

    def one(self, case: Case) -> Verdict:
        """Judge one case."""
        self._answered = False
        try:
            if self.identity is None:
                self.target.reopen()
                self.identity = self.last_identity = identify(self.target)
            reason = self._skips(case, self.identity)
            if reason:
                return Verdict(case, SKIP, reason)
            verdict = self._tell(case, self.identity)
            self._silent = 0
            return verdict
        except TargetError as error:
            self._silent = 0 if self._answered else self._silent + 1
            self.identity = None
            self.target.close()
            return Verdict(case, ERROR, str(error))

    @staticmethod
    def _skips(case: Case, identity: Identity) -> str:
        for need in case.needs:
            if need not in identity.supports:
                return f"it does not support {need}"
        if not identity.virtual_time and case.duration_ms > LONGEST_REAL_MS:
            return f"it would take {case.duration_ms // 1_000} s of real time"
        return ""

    def _tell(self, case: Case, identity: Identity) -> Verdict:
        if case.settings is None:
            self.target.reopen()
        else:
            reset = {"op": "reset", "t": case.start_ms, "settings": case.settings}
            outcome = self.target.ask(reset)
            self._answered = True
            if not outcome["ok"]:
                return self._refused(case, Step(0, reset), outcome)
        named: dict[str, Plain] = {}
        seen: Verdict | None = None  # what was expected comes first
        began_s, began_ms = self._now_s(), case.start_ms
        for step in case.steps:
            if step.request and "t" in step.request and not identity.virtual_time:
                self._wait(
                    max(0.0, (step.request["t"] - began_ms) / 1_000 - self._now_s() + began_s)
                )
            try:
                answer = self._send(case, step, named)
            except TargetError as error:
                raise TargetError(f"step {step.place}: {error}") from error
            if answer is None:
                continue
            self._answered = True
            if step.name:
                named[step.name] = answer
            if self._optional(step) and answer.get("error") == "unsupported":
                return Verdict(case, SKIP, f"step {step.place}: it does not know this operation")
            text = missed(step.expect, answer, named)
            if text:
                path = text.partition(" ")[0]
                return self._missed(
                    case, case.level, step, Breach(case.requirements[0], 0, text, path), answer
                )
            seen = seen or self._witnessed(case, step, answer)
            if not answer["ok"] and "ok" not in step.expect:
                return self._refused(case, step, answer)
        return seen or Verdict(case, PASS)

    def _witnessed(self, case: Case, step: Step, answer: Plain) -> Verdict | None:
        """Return what the target's own witness saw, if it has one."""
        breach = self.target.breach()
        if breach is None:
            return None
        return self._missed(case, level_of([breach.requirement]), step, breach, answer)

    def _missed(self, case: Case, level: str, step: Step, breach: Breach, answer: Plain) -> Verdict:
        story = self.target.story(breach)
        detail = f"step {step.place}: {breach.text}" + (f"\n{story}" if story else "")
        return Verdict(case, MISSED[level], detail, _shown(step), answer)

    def _send(self, case: Case, step: Step, named: dict[str, Plain]) -> Plain | None:
        if step.line is not None:
            if step.answers:
                return self.target.exchange(step.line)
            self.target.tell(step.line)
            return None
        assert step.request is not None
        request = step.request
        if isinstance(request.get("state"), str) and request["state"] in named:
            request = {**request, "state": named[request["state"]].get("state")}
        return self.target.ask(request)

    @staticmethod
    def _optional(step: Step) -> bool:
        return step.request is not None and step.request.get("op") in OPTIONAL

    @staticmethod
    def _refused(case: Case, step: Step, answer: Plain) -> Verdict:
        text = f"step {step.place}: it refuses what it should take: {answer.get('error')}"
        return Verdict(case, MISSED[case.level], text, _shown(step), answer)


def _shown(step: Step) -> str:
    if step.line is not None:
        return step.line.decode(errors="backslashreplace")
    return json.dumps(step.request)


def judge(target: Target, cases: Iterable[Case]) -> list[Verdict]:
    """Return a verdict for every case."""
    return list(Judge(target).each(cases))


def with_known(verdicts: Iterable[Verdict], known: dict[str, str]) -> Iterator[Verdict]:
    """Skip the failures that are known, {case id: why}; one of them that passes is an error.

    So a list of known failures can only shrink.
    """
    for verdict in verdicts:
        why = known.get(verdict.case.id)
        if why is None or verdict.verdict == SKIP:
            yield verdict
        elif verdict.verdict == PASS:
            yield evolve(verdict, verdict=ERROR, detail="it passes: take it off the known failures")
        else:
            yield evolve(verdict, verdict=SKIP, detail=f"known: {why} ({verdict.detail})")


def counted(verdicts: Iterable[Verdict]) -> dict[str, int]:
    """Return how often each verdict was given."""
    counts: dict[str, Any] = dict.fromkeys(VERDICTS, 0)
    for verdict in verdicts:
        counts[verdict.verdict] += 1
    return counts
