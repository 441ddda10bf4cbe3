"""Mode "wire": hostile bytes around a valid conversation, and what they must not do."""

import json
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.cli.main import main
from conformance.device import Device, answer_line
from conformance.fuzz import NOT_AGAIN, Failure, fuzz
from conformance.fuzzing.hostile import NOW, REFUSED, SKIPPED, Hostile, lines
from conformance.judge import ERROR, PASS, Judge, judge
from conformance.mutants import SownBridge
from conformance.targets import Plain, TargetError
from conformance.vectors import FOLDER, Case, load_file

SCHEMA = json.loads((FOLDER / "schema.json").read_text(encoding="utf-8"))


class Flawed(SownBridge):
    """The kit's own bridge behind a bad reader of lines, each with one flaw."""

    def __init__(self, flaw: str) -> None:
        super().__init__(None)
        self.flaw = flaw

    def exchange(self, line: bytes) -> Plain:
        if self.flaw == "dies" and b"\xff" in line:
            raise TargetError("it ended")
        if self.flaw == "begins" and line.startswith(b'{"op":"request"'):
            with suppress(ValueError):  # a reader that starts before it has seen the end
                first, end = json.JSONDecoder().raw_decode(line.decode(errors="replace"))
                self._bridge.answer(first)
                return {"ok": end == len(line), "error": "something behind it"}
        if self.flaw == "welcomes" and line.startswith(b"["):
            return {"ok": True}
        return super().exchange(line)

    def tell(self, line: bytes) -> None:
        if self.flaw == "talks":
            raise TargetError("it spoke without being asked")
        super().tell(line)


def found(target: SownBridge, requirement: str) -> Failure:
    """What fuzzing finds, from the first seed that meets this side of the flaw."""
    for number in range(20):
        failure = fuzz(target.ask, "wire", 60, number, shrink=False, wire=target).failure
        if failure is not None and failure.breach.requirement.startswith(requirement):
            return failure
    pytest.fail(f"{requirement} was not found")


@pytest.fixture
def cases(tmp_path: Path) -> Any:
    """Write a failure as a vector file, check it against the schema, and load it."""

    def loaded(failure: Failure) -> tuple[Case, ...]:
        jsonschema.validate(failure.vector, SCHEMA)
        return load_file(failure.write(tmp_path))

    return loaded


@pytest.mark.parametrize("target", [SownBridge(None), None], ids=["bridge", "device"])
def test_nothing_is_found_in_clean_ones(target: SownBridge | None) -> None:
    """Neither in the kit's bridge nor, as a process that reads bytes, in our own device."""
    if target is None:
        name = f"stdio:{sys.executable} -m conformance.device"
        assert main(["fuzz", name, "--mode", "wire", "--cases", "20"]) == 0
    else:
        assert fuzz(target.ask, "wire", 25, wire=target).failure is None


@pytest.mark.parametrize(
    ("flaw", "requirement", "seen", "verdict"),
    [
        ("dies", "REQ-PRO-05", "no answer to", ERROR),
        ("begins", "REQ-PRO-06", " without", "must_missed"),
        ("welcomes", "REQ-PRO-0", "is taken, and must be refused", "must_missed"),
        ("talks", "REQ-PRO-05", "lines that want no answer", ERROR),
    ],
)
def test_flaws_are_found_told_and_judged_again(
    flaw: str, requirement: str, seen: str, verdict: str, cases: Any
) -> None:
    """The story says what the line brought; its vector fails again, and passes the clean bridge."""
    failure = found(Flawed(flaw), requirement)
    assert "the line brought" in failure.story
    assert seen in failure.story
    assert [one.verdict for one in judge(Flawed(flaw), cases(failure))] == [verdict]
    assert [one.verdict for one in judge(SownBridge(None), cases(failure))] == [PASS]


def test_what_is_applied_in_part_shows_in_the_next_view() -> None:
    """A line was refused and half of it obeyed all the same: the story and the vector say so."""
    failure = found(Flawed("begins"), "REQ-PRO-06")
    assert failure.breach.path.startswith("view.")
    assert failure.vector["area"] == "wire"
    first, *_ = failure.story.splitlines()
    assert first == "at 0 s the bridge started"
    assert "REQ-PRO-06" in failure.story


@given(lines(), st.integers(0, (1 << 30) - 1))
@settings(max_examples=300, deadline=None)
def test_hostile_lines_are_what_they_say(hostile: Hostile, now_ms: int) -> None:
    """One line each, the same in the vector as on the wire, and our device treats it as it must."""
    line = hostile.sent(now_ms) * hostile.repeat
    step = hostile.step(now_ms)
    (case,) = _cases({"op": "hello"}, step)
    assert case.steps[1].line == line
    assert NOW not in line
    answer = answer_line(Device(), line.decode(errors="replace"))
    if hostile.answer == SKIPPED:
        assert answer is None
        assert all(one[:1] in (b"", b"#") for one in line.split(b"\n"))
    else:
        assert b"\n" not in line
        assert answer is not None
        assert hostile.answer != REFUSED or json.loads(answer)["ok"] is False


def _cases(*steps: Plain) -> tuple[Case, ...]:
    from conformance.vectors import case_from

    plain = {"id": "OWN-001", "title": "Hostile", "level": "must", "requirements": ["REQ-PRO-05"],
             "catches": "", "harm": "", "steps": list(steps)}  # fmt: skip
    return (case_from(plain, "wire", {"packs": [{"pack": "ash"}]}, {}),)


def test_a_target_that_does_it_only_sometimes(cases: Any) -> None:
    """It is told what was seen, and that it was not seen again."""
    bridge = SownBridge(None)
    asked = 0

    def ask(request: Plain) -> Plain:
        nonlocal asked
        asked += 1
        if asked == 100:
            raise TargetError("no answer within 2 s")
        return bridge.ask(request)

    failure = fuzz(ask, "protocol", 20).failure
    assert failure is not None
    assert failure.breach.requirement == "REQ-PRO-05"
    assert failure.story.endswith(NOT_AGAIN)
    assert Judge(bridge).one(cases(failure)[0]).verdict == PASS
