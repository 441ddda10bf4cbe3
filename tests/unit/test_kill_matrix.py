"""The published kill matrix is of today's bugs and vectors; what it complains about is told."""

import json
from pathlib import Path

import pytest
from attrs import evolve

from conformance.bridge.catalogue import MUTANTS
from conformance.kill_matrix import Found, Kill, page, shortcomings, without_fuzz
from conformance.vectors import FOLDER, VERSION, load

PAGE = Path(__file__).parents[2] / "docs" / "reference" / "kill-matrix.md"
CASES = load()
BY_ID = {case.id: case for case in CASES}
FOUND = Found("protocol", 7, "REQ-LIM-06")
CLEAN = Kill("clean", (), None)


def rows() -> list[list[str]]:
    """The cells of every row: bug, what it does, harm, vectors, fuzzing."""
    lines = PAGE.read_text(encoding="utf-8").splitlines()
    return [[cell.strip() for cell in line.split("|")[1:-1]] for line in lines if "| M" in line]


def test_every_bug_of_the_catalogue_has_its_row() -> None:
    """In its order, with its words; else run `python -m conformance.mutants`."""
    assert [row[:2] for row in rows()] == [[mutant.id, mutant.text] for mutant in MUTANTS]


def test_every_bug_is_found() -> None:
    """By a vector that exists and is no example, whose harm is told, and by fuzzing."""
    for bug, _, harm, vectors, fuzzing in rows():
        names = vectors.split(" and ")[0].split(", ")
        assert all(not BY_ID[name].example for name in names), bug
        assert harm == BY_ID[names[0]].harm, bug
        mode, stories, requirement = fuzzing.replace(",", "").replace(":", "").split()
        assert mode in ("protocol", "physical", "wire"), bug
        assert int(stories) > 0, bug
        assert requirement.startswith("REQ-"), bug


def test_the_page_counts_the_vectors_of_the_index() -> None:
    """As many as index.json says that are not withdrawn, and every example by its title."""
    text = PAGE.read_text(encoding="utf-8")
    index = json.loads((FOLDER / VERSION / "index.json").read_text(encoding="utf-8"))
    assert f" {len(CASES)} vectors" in text
    assert len(CASES) <= index["cases"]
    listed = [line[2:] for line in text.splitlines() if line.startswith("- ")]
    assert listed == [f"{case.id} {case.title}" for case in CASES if case.example]


def strong() -> tuple[Kill, ...]:
    """A matrix without a shortcoming: one bug, found by every vector that is no example."""
    return (Kill("M01", tuple(case.id for case in CASES if not case.example), FOUND),)


@pytest.mark.parametrize(
    ("clean", "kills", "words"),
    [
        (CLEAN, strong(), None),
        (Kill("clean", ("LIM-001",), None), strong(), "clean bridge fails LIM-001"),
        (Kill("clean", (), FOUND), strong(), "breaks the clean bridge"),
        (CLEAN, (*strong(), Kill("M02", (), FOUND)), "M02 survives all vectors"),
        (CLEAN, (*strong(), Kill("M02", ("LIM-001",), None)), "M02 survives fuzzing"),
        (CLEAN, (*strong(), Kill("M02", ("LIM-001",), None, False)), None),
    ],
)
def test_what_is_too_weak_is_told(clean: Kill, kills: tuple[Kill, ...], words: str | None) -> None:
    """A survivor of either kind and a broken bridge, a line each; a strong kit has none."""
    complaints = shortcomings(clean, kills, CASES)
    assert len(complaints) == (0 if words is None else 1)
    assert words is None or words in complaints[0]


def test_examples_are_checked_both_ways() -> None:
    """A vector that finds nothing must be marked, and one that is marked must find nothing."""
    kills = strong()
    idle = [evolve(CASES[0], id="NEW-001", example=False)]
    assert shortcomings(CLEAN, kills, idle) == [
        'NEW-001 finds no bug: sow one, or mark it "example": true'
    ]
    marked = [evolve(BY_ID[kills[0].vectors[0]], example=True)]
    assert "marked as an example, and finds bugs" in shortcomings(CLEAN, kills, marked)[0]


def test_the_page_is_compared_without_what_fuzzing_found() -> None:
    """Another version of hypothesis makes up other stories; the rest of the page must not differ."""
    kills = strong()
    later = [evolve(kills[0], fuzz=Found("physical", 9, "REQ-LIM-05"))]
    other = [evolve(kills[0], vectors=("LIM-001",))]
    assert page(kills, CASES) != page(later, CASES)
    assert without_fuzz(page(kills, CASES)) == without_fuzz(page(later, CASES))
    assert without_fuzz(page(kills, CASES)) != without_fuzz(page(other, CASES))
