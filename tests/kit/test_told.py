"""Stories made up once are told to other bridges as if fuzzing had made them up there."""

from functools import cache

import pytest

from conformance.bridge.catalogue import MUTANTS
from conformance.fuzz import fuzz
from conformance.fuzzing.told import Told, make_up, retell
from conformance.mutants import SownBridge
from conformance.oracle import Plain

MODES = (("protocol", 8), ("wire", 5), ("physical", 3))
BUGS = {mutant.id: mutant for mutant in MUTANTS}


class Talkative(SownBridge):
    """The clean bridge, with a word more in every answer; it notes what it was asked."""

    def __init__(self) -> None:
        super().__init__(None)
        self.asked: list[Plain] = []

    def ask(self, request: Plain) -> Plain:
        self.asked.append(request)
        return {**super().ask(request), "news": "none"}

    def reopen(self) -> None:
        super().reopen()
        self.asked = []


@cache
def stories(mode: str, count: int) -> list[Told]:
    """Stories of the clean bridge, in which nothing was found."""
    result, told = make_up(SownBridge(None), mode, count, 0)
    assert result.failure is None
    assert len(told) == result.stories >= count
    return told


@pytest.mark.parametrize(("mode", "count"), MODES)
def test_nothing_is_found_where_the_stories_were_made_up(mode: str, count: int) -> None:
    """The clean bridge answers as it did; one that answers otherwise, but well, is judged, and passes."""
    for one in stories(mode, count):
        assert retell(one, SownBridge(None)) is None
        assert retell(one, Talkative()) is None


def test_a_story_is_told_again_word_by_word() -> None:
    """From its acts alone, to a bridge whose answers differ: the same requests, the end included."""
    first, again = Talkative(), Talkative()
    for one in make_up(first, "protocol", 8, 0)[1]:
        assert retell(one, SownBridge(None)) is None
        assert retell(one, again) is None
        told, first.asked = first.asked[: len(again.asked)], first.asked[len(again.asked) :]
        assert again.asked == told
    assert first.asked == []


@pytest.mark.parametrize(
    ("bug", "mode", "count"),
    [("M01", "protocol", 8), ("M22", "protocol", 8), ("M225", "wire", 5), ("M227", "wire", 10)],
)
def test_what_fuzzing_finds_the_same_stories_find(bug: str, mode: str, count: int) -> None:
    """The same breach as when the bridge with the bug is fuzzed itself."""
    target = SownBridge(BUGS[bug])
    failure = fuzz(target.ask, mode, count, shrink=False, wire=target).failure
    errors = (retell(one, SownBridge(BUGS[bug])) for one in stories(mode, count))
    found = next(error for error in errors if error is not None)
    assert failure is not None
    assert found.breach == failure.breach
