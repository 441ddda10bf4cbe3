"""Settings and scenario files: every mistake is told, at its line, in one pass."""

import re
from pathlib import Path

import pytest
from attrs import fields

from adapters.cli.scenario_file import RANGES, load_scenario
from adapters.config import load_settings
from adapters.toml_file import BadFileError
from aggregator.settings import BANK_INTS, PACK_INTS, STAGE_INTS
from conformance.plant import scenario as scenario_module
from conformance.plant.scenario import Scenario

GOOD = """\
margin_permille = 40
own_packs = ["oak"]

[stages]
absorption_mv = 55_200
adjustable = [["absorption_ms", 600_000, 3_600_000]]

[[packs]]
pack = "oak"
capacity_mah = 314_000
charge_cell_curve = [[3_400, 1_000], [3_500, 0]]

[[packs]]
pack = "fir"
"""

SCENARIO = """\
title = "two packs"
duration_s = 600

[[packs]]
pack = "oak"
capacity_ah = 314

[[packs]]
pack = "fir"

[bank]
margin_permille = 50

[bank.stages]
absorption_ms = 600_000
"""


def numbers_of(kind: type) -> set[str]:
    """Return the names of all numbers in a kind of record, however deep."""
    found = set()
    for one in fields(kind):
        inner = re.findall(r"plant\.scenario\.(\w+)", str(one.type))
        for name in inner:
            found |= numbers_of(getattr(scenario_module, name))
        if not inner and re.search("float|int", str(one.type)):
            found.add(one.name)
    return found


def test_every_number_of_a_scenario_has_a_range() -> None:
    assert numbers_of(Scenario) == set(RANGES)


def complaints(tmp_path: Path, text: str, load: object = load_settings) -> list[str]:
    """Return what is said of a file, without its folder."""
    file = tmp_path / "site.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(BadFileError) as caught:
        load(file)  # type: ignore[operator]
    assert not caught.value.unreadable
    return [line.replace(f"{tmp_path}/", "") for line in caught.value.complaints]


def test_settings_become_the_core_s_own_records(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(GOOD, encoding="utf-8")
    settings = load_settings(file)
    assert settings.margin_permille == 40
    assert settings.own_packs == ["oak"]
    assert settings.stages.absorption_mv == 55_200
    assert settings.stages.adjustable == (("absorption_ms", 600_000, 3_600_000),)
    assert [one.pack for one in settings.packs] == ["oak", "fir"]
    assert settings.packs[0].charge_cell_curve == ((3_400, 1_000), (3_500, 0))


def test_a_scenario_brings_its_settings_along(tmp_path: Path) -> None:
    file = tmp_path / "day.toml"
    file.write_text(SCENARIO, encoding="utf-8")
    scenario, settings = load_scenario(file)
    assert [one.pack for one in scenario.packs] == ["oak", "fir"]
    assert scenario.duration_s == 600
    assert settings.packs[0].capacity_mah == 314_000
    assert settings.margin_permille == 50
    assert settings.stages.absorption_ms == 600_000


# text to replace in GOOD, by what, and the whole complaint
MISTAKES = {
    "out of range": (
        "margin_permille = 40",
        "margin_permille = 4_000",
        "site.toml:1: margin_permille: expected 0..500, got 4000",
    ),
    "wrong type": (
        "margin_permille = 40",
        'margin_permille = "40"',
        'site.toml:1: margin_permille: expected 0..500, got "40"',
    ),
    "a float where whole numbers are meant": (
        "absorption_mv = 55_200",
        "absorption_mv = 55.2",
        "site.toml:5: stages.absorption_mv: expected 10000..120000, or left out, got a float",
    ),
    "misspelt": (
        "margin_permille",
        "margin_permile",
        'site.toml:1: margin_permile: expected a key of this table, got "margin_permile";'
        ' did you mean "margin_permille"?',
    ),
    "in the wrong table": (
        'pack = "fir"',
        'pack = "fir"\ncell_count = 16',
        'site.toml:15: packs[2].cell_count: expected a key of this table, got "cell_count";'
        " it belongs to the file's own keys, before any table",
    ),
    "a name nobody may have": (
        '"fir"',
        '"Fir tree"',
        'site.toml:14: packs[2].pack: expected 1..16 characters of a-z 0-9 -, got "Fir tree"',
    ),
    "no name": (
        'pack = "fir"',
        "capacity_mah = 100_000",
        "site.toml:13: packs[2].pack: expected 1..16 characters of a-z 0-9 -, got nothing",
    ),
    "one name twice": (
        '"fir"',
        '"oak"',
        'site.toml:8: packs: expected every name once, got "oak"',
    ),
    "a pack that is not there": (
        '["oak"]',
        '["elm"]',
        'site.toml:2: own_packs: expected names of packs, got "elm"',
    ),
    "a contradiction between settings": (
        "margin_permille = 40",
        "fresh_ms = 40_000",
        "site.toml:1: fresh_ms: expected less than unheard_ms, got 40000",
    ),
    "a contradiction with a default": (
        "margin_permille = 40",
        "unheard_ms = 5_000",
        "site.toml:1: unheard_ms: expected fresh_ms less than unheard_ms, got 10000, its default",
    ),
    "a contradiction inside a table": (
        "absorption_mv = 55_200",
        "float_mv = 56_000",
        "site.toml:5: stages.float_mv: expected below absorption_mv (55200), got 56000",
    ),
    "no packs": (
        GOOD[GOOD.index("[[packs]]") :],
        "",
        "site.toml: packs: expected 1..64 packs, got 0",
    ),
    "packs that are no list": (
        GOOD[GOOD.index("[[packs]]") :],
        "[packs]\noak = 3",
        "site.toml:8: packs: expected a list, got a dict; a list of tables is headed in double brackets",
    ),
    "not TOML": (
        "margin_permille = 40",
        "margin_permille: 40",
        "site.toml:1: not valid TOML, at column 16: Expected '=' after a key in a key/value pair",
    ),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_told_in_one_line(tmp_path: Path, name: str) -> None:
    old, new, expected = MISTAKES[name]
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    if name == "no packs":
        text = text.replace('own_packs = ["oak"]', "")
    assert expected in complaints(tmp_path, text)


def test_all_mistakes_are_told_in_one_pass(tmp_path: Path) -> None:
    text = GOOD.replace("margin_permille = 40", "fresh_ms = 40_000\nframe_ms = 1\ncell_count = 3")
    text = text.replace("absorption_mv = 55_200", "absorption_ms = -1\nfloat_mv = 100_000")
    text = text.replace("capacity_mah = 314_000", 'capacity_mah = "big"\ncolour = "red"')
    found = complaints(tmp_path, text)
    keys = [line.split(": ")[1] for line in found]
    assert keys == [
        "fresh_ms",
        "frame_ms",
        "cell_count",
        "stages.absorption_ms",
        "stages.float_mv",
        "packs[1].capacity_mah",
        "packs[1].colour",
    ]
    assert all(line.startswith("site.toml:") for line in found)


@pytest.mark.parametrize(
    ("key", "low", "high", "template"),
    [(row[0], row[1], row[2], "{key} = {value}\n[[packs]]\npack = 'oak'\n") for row in BANK_INTS]
    + [
        (r[0], r[1], r[2], "[stages]\n{key} = {value}\n[[packs]]\npack = 'oak'\n")
        for r in STAGE_INTS
    ]
    + [(row[0], row[1], row[2], "[[packs]]\npack = 'oak'\n{key} = {value}\n") for row in PACK_INTS],
)
def test_every_range_is_the_core_s_own(
    tmp_path: Path, key: str, low: int, high: int, template: str
) -> None:
    """Each number one beyond its range is refused, with the range of the core's table."""
    for value in (low - 1, high + 1):
        found = complaints(tmp_path, template.format(key=key, value=value))
        assert any(f"{key}: expected {low}..{high}" in line for line in found), found


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("capacity_ah = 314", "capacity_ah = 0", "packs[1].capacity_ah: expected 1..2000, got 0"),
        ("capacity_ah = 314", "capacity_ah = nan", "packs[1].capacity_ah: expected a number"),
        ("capacity_ah = 314", "capacity_mah = 3", 'did you mean "capacity_ah"?'),
        ('"fir"', '"oak"', 'packs[2].pack: expected every name once, got "oak"'),
        ("duration_s = 600", "duration_s = 1", "duration_s: expected 60..604800, got 1"),
        ("duration_s = 600", "[load]\nsteps_a = []\n", "load.steps_a: expected 1..100 of them, got 0"),
        ("duration_s = 600", "[load]\nworking_h = [25, 3]\n", "load.working_h[1]: expected 0..24"),
        ("duration_s = 600", "[charger]\nlimits = 'no'\n", "charger.limits: expected one of battery,"),
        ("capacity_ah = 314", "omits = ['colour']", "packs[1].omits[1]: expected one of pack, "),
        ("duration_s = 600", "seed = 1.5", "seed: expected a whole number, got a float"),
        ("[bank.stages]", "[[faults]]\nkind = 'rain'\nstart_s = 1\nstop_s = 2\n[bank.stages]",
         "faults[1].kind: expected one of drop, "),
        ("[bank.stages]", "[[faults]]\nkind = 'drop'\n[bank.stages]",
         "faults[1].start_s: expected a value, got nothing"),
        ("margin_permille = 50", "margin_permille = 501", "bank.margin_permille: expected 0..500"),
        ("absorption_ms = 600_000", "absorption_ms = -1", "bank.stages.absorption_ms: expected 0.."),
        ("margin_permille = 50", "packs = []", "bank.packs: expected no packs here"),
    ],
)  # fmt: skip
def test_a_scenario_s_mistakes_are_told_at_their_lines(
    tmp_path: Path, old: str, new: str, expected: str
) -> None:
    found = complaints(tmp_path, SCENARIO.replace(old, new), load_scenario)
    assert any(expected in line for line in found), found
    assert all(line.split(":")[1].isdigit() for line in found), found
