"""The kit's own bridge: clean, it passes everything; with a bug in it, it does not."""

import pytest

from conformance.bridge.catalogue import MUTANTS, Mutant
from conformance.fuzz import fuzz
from conformance.judge import PASS, judge
from conformance.mutants import MISSES, MutantError, SownBridge, sown
from conformance.vectors import load


def test_the_clean_bridge_passes_every_vector() -> None:
    """No must and no should is missed; one may is."""
    missed = [
        (verdict.case.id, verdict.detail)
        for verdict in judge(SownBridge(None), load())
        if verdict.verdict in MISSES
    ]
    assert missed == []


@pytest.mark.parametrize("mode", ["protocol", "physical", "wire"])
def test_fuzzing_finds_nothing_in_the_clean_bridge(mode: str) -> None:
    """A few stories of each mode."""
    clean = SownBridge(None)
    result = fuzz(clean.ask, mode, 8, shrink=False, wire=clean)
    assert result.failure is None
    assert result.operations > 100


def test_every_bug_can_be_sown() -> None:
    """Each old text stands once in the bridge, ids are unique, and there are 200 and more."""
    assert len({mutant.id for mutant in MUTANTS}) == len(MUTANTS) >= 200
    for mutant in MUTANTS:
        assert sown(mutant).Bridge().answer({"op": "hello"})["ok"]


def test_a_bug_that_is_nowhere_is_told() -> None:
    """The catalogue cannot drift away from the bridge."""
    with pytest.raises(MutantError, match="M0"):
        sown(Mutant("M0", "nothing", "no such line", ""))


def test_a_bug_is_found_by_vectors_and_told_as_a_story() -> None:
    """Permission on while the limit is 0: one vector is enough, and fuzzing shrinks it."""
    (mutant,) = [mutant for mutant in MUTANTS if mutant.id == "M07"]
    verdicts = judge(SownBridge(mutant), load(("limits",)))
    assert any(verdict.verdict != PASS for verdict in verdicts)
    failure = fuzz(SownBridge(mutant).ask, examples=5).failure
    assert failure is not None
    assert failure.breach.requirement == "REQ-LIM-06"
    assert failure.story.splitlines()[0] == "at 0 s the bridge started"
    assert failure.vector["kit"] == 1
