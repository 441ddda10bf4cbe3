"""The proofs hold, and each of them can fail."""

import re
from pathlib import Path
from typing import Any

import pytest
import z3

from conformance.proof import THEOREMS, symbolic
from conformance.proof.__main__ import main, runs
from conformance.proof.symbolic import Paths, RefutedError
from conformance.proof.theorem import PROVED, REFUTED, UNKNOWN, Theorem
from tests.proof.sabotage import MISTAKES, sabotaged

BY_NAME = {theorem.name: theorem for theorem in THEOREMS}
PAGE = Path(__file__).parent.parent.parent / "docs" / "explanation" / "proof.md"


@pytest.mark.parametrize("name", BY_NAME)
@pytest.mark.source("DERIVED", "The rule")
def test_theorem_is_proved(name: str) -> None:
    """Every theorem holds for 1 to 3 packs, and for any number."""
    for packs in runs(BY_NAME[name], 3):
        assert BY_NAME[name].prove(packs)[0] == PROVED, (packs, BY_NAME[name].prove(packs))


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: f"{mistake[0]}: {mistake[4]}")
def test_theorem_can_fail(mistake: tuple[str, Any, str, str, str]) -> None:
    """One wrong line of the core, or of what is assumed, is refuted by an example with numbers."""
    name, *change = mistake
    with sabotaged(*change):
        verdicts = [BY_NAME[name].prove(packs) for packs in runs(BY_NAME[name], 2)]
    refuted = [detail for verdict, detail in verdicts if verdict == REFUTED]
    assert refuted
    assert " = " in refuted[0]


def test_every_theorem_has_a_mistake() -> None:
    """No theorem stands without a mistake that refutes it."""
    assert {mistake[0] for mistake in MISTAKES} == set(BY_NAME)


def test_page_names_every_theorem() -> None:
    """The page's table has a row for each theorem, and for nothing else."""
    rows = [
        line.split("|")[1] for line in PAGE.read_text("utf-8").splitlines() if line[:3] == "| `"
    ]
    assert {name for row in rows for name in re.findall("`([^`]+)`", row)} == set(BY_NAME)


def test_contradictory_assumptions_prove_nothing() -> None:
    """Where no integers satisfy what is assumed, nothing is called proved."""

    def program(paths: Paths) -> None:
        number = paths.integer("number", 0, 10)
        paths.assume(number > 10)
        paths.claim(number == 7)

    with pytest.raises(RefutedError, match="nothing satisfies the assumptions"):
        Paths().run(program)


def test_every_path_is_run() -> None:
    """A rare branch is found: no examples, all integers."""

    def rare(paths: Paths) -> None:
        first, second = paths.integer("first", 0, 10**6), paths.integer("second", 0, 10**6)
        total = first + second if first != 777 or second % 1_000 != 3 else -1
        paths.claim(total >= 0)

    with pytest.raises(RefutedError, match=r"first = 777, second = \d*3"):
        Paths().run(rare)


@pytest.mark.parametrize("divisor", [1, 2, 7, 1_000])
def test_division_rounds_as_python(divisor: int) -> None:
    """Quotient and remainder of any integer are Python's, below zero as well."""
    for dividend in (-2_001, -1_000, -7, -1, 0, 1, 13, 999):

        def same(paths: Paths, dividend: int = dividend) -> None:
            number = paths.integer("number", dividend, dividend)
            paths.claim(
                number // divisor == dividend // divisor, number % divisor == dividend % divisor
            )

        assert Paths().run(same) == 1


@pytest.mark.parametrize("seed", [15, 21, 39])
def test_an_unlucky_start_is_not_the_last(seed: int) -> None:
    """With these starts alone the solver searched in vain for a minute; another finds at once."""
    z3.set_param("smt.random_seed", seed)
    try:
        assert BY_NAME["kept-back"].prove(None)[0] == PROVED
    finally:
        z3.set_param("smt.random_seed", 0)


def test_what_no_start_finds_out_is_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    """No time and no luck: neither proved nor refuted."""
    monkeypatch.setattr(symbolic, "TIMEOUTS_MS", (50, 50))

    def cubes(paths: Paths, _: int | None) -> None:
        """No two cubes make a cube.

        Of integers up to a milliard: Euler's case of Fermat's last theorem.
        """
        x, y, z = (paths.integer(name, 1, 10**9) for name in "xyz")
        paths.claim(x * x * x + y * y * y != z * z * z)

    assert Theorem(cubes, False, True).prove(None)[0] == UNKNOWN


def test_command_tells_each_verdict(capsys: pytest.CaptureFixture[str]) -> None:
    """A line a theorem; exit code 0 if all is proved, 1 if one is refuted."""
    assert main(["--packs", "2", "--only", "stricter-voltage"]) == 0
    assert capsys.readouterr().out.count("proved: stricter-voltage, ") == 3
    mistake = next(row for row in MISTAKES if row[0] == "stricter-voltage")
    with sabotaged(*mistake[1:]):
        assert main(["--packs", "2", "--only", "stricter-voltage"]) == 1
    assert "refuted: stricter-voltage, 2 packs: kind_0 = member" in capsys.readouterr().out
