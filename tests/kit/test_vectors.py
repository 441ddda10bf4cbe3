"""The vectors are well formed, cite what exists, and our own device passes every one of them."""

import copy
import json
import re
from pathlib import Path

import jsonschema
import pytest

from conformance.expect import RELATIONS, WORDS, missed
from conformance.judge import PROFILES, Judge
from conformance.requirements import BY_ID, REQUIREMENTS, aim_of, level_of
from conformance.targets import open_target
from conformance.vectors import AREAS, FOLDER, VERSION, Case, VectorError, load, load_file
from conformance.vectors.__main__ import index, laid_out

CASES = load()
FILES = {area: FOLDER / VERSION / f"{area}.json" for area in AREAS}
SCHEMA = json.loads((FOLDER / "schema.json").read_text(encoding="utf-8"))


def plain(area: str) -> dict[str, object]:
    """A vector file as it stands."""
    return json.loads(FILES[area].read_text(encoding="utf-8"))


@pytest.mark.parametrize("area", AREAS)
def test_files_follow_the_schema(area: str) -> None:
    """Every key is known, and every number is an integer."""
    jsonschema.validate(plain(area), SCHEMA)


def test_the_schema_refuses_what_is_wrong() -> None:
    """A misspelt operator, a level nobody knows, a fraction."""
    good = plain("limits")
    for wrong in (
        {"level": "shall"},
        {"requirements": []},
        {"settings": {"margin_permille": 0.5}},
        {"steps": [{"op": "step", "t": 0, "expect": {"ok": {"equals": True}}}]},
        {"catch": "a misspelt key"},
    ):
        bad = copy.deepcopy(good)
        bad["cases"][0].update(wrong)  # type: ignore[index]
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(bad, SCHEMA)


@pytest.mark.parametrize("area", AREAS)
def test_files_are_laid_out(area: str) -> None:
    """One step a line where it fits; else run python -m conformance.vectors."""
    assert FILES[area].read_text(encoding="utf-8") == laid_out(plain(area)) + "\n"


def test_the_index_is_current() -> None:
    """Checksums and numbers of cases; else run python -m conformance.vectors."""
    kept = json.loads((FOLDER / VERSION / "index.json").read_text(encoding="utf-8"))
    assert kept == index()


def test_there_are_enough() -> None:
    """At least 150 cases, ids unique and in order within their area."""
    assert len(CASES) >= 150
    names = [case.id for case in CASES]
    assert len(set(names)) == len(names)
    for area in AREAS:
        of_area = [case.id for case in CASES if case.area == area]
        assert of_area == sorted(of_area)


def test_every_must_is_cited() -> None:
    """No requirement is orphaned: each MUST and SHOULD has a vector."""
    cited = {name for case in CASES for name in case.requirements}
    assert cited <= set(BY_ID)
    assert [r.id for r in REQUIREMENTS if r.level != "may" and r.id not in cited] == []


def test_requirements_are_told_in_full() -> None:
    """Each has an area's id, one level, a text, a reason and a source."""
    for r in REQUIREMENTS:
        assert re.fullmatch(r"REQ-(MRG|LIM|SIL|STG|WSH|PRO)-\d\d", r.id)
        assert r.aim in ("safety", "use")
        assert min(len(r.text), len(r.reason)) > 15
        assert r.source
    assert len(BY_ID) == len(REQUIREMENTS)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.id)
def test_a_case_says_what_it_is(case: object) -> None:
    """Its level is that of what it cites, and it expects something."""
    assert case.level == level_of(case.requirements)  # type: ignore[attr-defined]
    assert case.aim == aim_of(case.requirements)  # type: ignore[attr-defined]
    named = [step.name for step in case.steps if step.name]  # type: ignore[attr-defined]
    assert len(set(named)) == len(named)
    expects = 0
    for step in case.steps:  # type: ignore[attr-defined]
        for wanted in step.expect.values():
            expects += 1
            assert set(wanted) <= set(WORDS)
            for relation, _, _ in RELATIONS:
                assert wanted.get(relation, named[0] if named else None) in (*named, None)
    assert expects


def test_titles_are_unique() -> None:
    """Nobody confuses two cases of an area."""
    titles = [(case.area, case.title) for case in CASES]
    assert len(set(titles)) == len(titles)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.id)
def test_our_own_device_passes(case: Case) -> None:
    """Every case, in this process."""
    (verdict,) = Judge(open_target("self")).each([case])
    assert (verdict.verdict, verdict.detail) == ("pass", "")


def test_profiles_name_areas() -> None:
    """A profile is made of areas there are."""
    assert {area for areas in PROFILES.values() for area in areas} == set(AREAS)


@pytest.mark.parametrize(
    ("expect", "told"),
    [
        ({"view.a": {"eq": 5}}, ""),
        ({"view.a": {"eq": True}}, "view.a expected true, got 5"),
        ({"view.a": {"le": 4}}, "view.a expected at most 4, got 5"),
        ({"view.a": {"ge": 6}}, "view.a expected at least 6, got 5"),
        ({"view.b": {"le": 4}}, "view.b expected at most 4, got null"),
        ({"view.no": {"le": 4}}, "view.no expected at most 4, got null"),
        ({"view.no": {"absent": True}}, ""),
        ({"view.a": {"absent": True}}, "view.a expected null: true, got 5"),
        ({"view.a": {"in": [1, 5]}}, ""),
        ({"view.t": {"in": [1]}}, "view.t expected one of [1], got true"),
        ({"view.packs.fir.x": {"eq": 2}}, ""),
        ({"view.packs.0.x": {"eq": 1}}, ""),
        ({"view.packs.9.x": {"absent": True}}, ""),
        ({"view.a": {"not_above": "then"}}, "view.a expected not above 4 (then), got 5"),
        ({"view.a": {"not_below": "then"}}, ""),
        ({"view.a": {"same": "then"}}, "view.a expected the same as 4 (then), got 5"),
        ({"view.l": {"has": "x"}}, ""),
        ({"view.t": {"ge": 0}}, "view.t expected at least 0, got true"),
    ],
)
def test_expectations(expect: dict[str, object], told: str) -> None:
    """Bounds need integers; absent is null; true is not 1."""
    packs = [{"pack": "oak", "x": 1}, {"pack": "fir", "x": 2}]
    answer = {"ok": True, "view": {"a": 5, "b": None, "t": True, "l": ["x"], "packs": packs}}
    assert missed(expect, answer, {"then": {"view": {"a": 4}}}) == told


def one_step(step: str) -> str:
    """A file with one case of one step."""
    case = '"id": "LIM-900", "title": "", "level": "must", "catches": "", "harm": "", "requirements": []'
    return f'{{"kit": 1, "area": "limits", "cases": [{{{case}, "steps": [{step}]}}]}}'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{", "not JSON"),
        ("[" * 100_000, "not JSON"),
        ("[]", 'expected a vector file with "kit": 1'),
        ('{"kit": 1, "area": "x", "cases": [{"id": "LIM-900"}]}', "LIM-900: KeyError"),
        (
            one_step('{"op": "run", "t": 900000000}'),
            "LIM-900: ValueError: step 1: expected a run of at most 100000 turns",
        ),
        (
            one_step('{"op": "line", "text": "xx", "repeat": 9000000}'),
            "step 1: expected a line of at most 10000000 bytes",
        ),
        ('{"kit": 1}', "expected an area and its cases"),
    ],
)
def test_a_bad_file_is_told(tmp_path: Path, text: str, told: str) -> None:
    """One line that names the file and the case."""
    path = tmp_path / "mine.json"
    path.write_text(text)
    with pytest.raises(VectorError, match=re.escape(told)):
        load_file(path)
