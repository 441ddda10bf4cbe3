"""The core's records as JSON values and back: a misspelt field never passes for an unknown one."""

import json
import random

import pytest

from aggregator import Cap, PackSettings, Refusal, SettingsError
from aggregator.fields import ROW_FIELDS, VIEW_FIELDS
from aggregator.plain import (
    BANK_KEYS,
    BUS_KEYS,
    PACK_KEYS,
    REPORT_KEYS,
    REQUEST_KEYS,
    STAGE_KEYS,
    _firsts,
    bus_from,
    cap_to_plain,
    json_text,
    report_from,
    request_from,
    settings_from,
    settings_to_plain,
    view_to_plain,
)
from aggregator.report import BUS_INTS
from tests.bank import Site

OAK: dict[str, object] = {"pack": "oak"}


def field_of(plain: object) -> str:
    """The field that a SettingsError names."""
    with pytest.raises(SettingsError) as caught:
        settings_from(plain)
    error = caught.value
    assert str(error) == f"{error.field}: expected {error.expected}, got {error.got}"
    return error.field


def test_only_packs_are_required() -> None:
    """A list with one name is a bank with every default."""
    settings = settings_from({"packs": [OAK]})
    plain = PackSettings("oak")
    for name in PACK_KEYS:
        assert getattr(settings.packs[0], name) == getattr(plain, name)
    assert settings.fresh_ms == 10_000


def test_every_setting_goes_through() -> None:
    """Packs, curves, the daily charge, choices and lists arrive where they belong."""
    settings = settings_from(
        {
            "packs": [{"pack": "oak", "capacity_mah": 280_000, "charge_cell_curve": [[3_400, 0]]}],
            "stages": {"absorption_ms": 60_000, "adjustable": [["absorption_ms", 0, 90_000]]},
            "own_packs": ["oak"],
            "charger_limits": "output",
            "fresh_ms": 5_000,
        }
    )
    assert settings.packs[0].capacity_mah == 280_000
    assert settings.packs[0].charge_cell_curve == ((3_400, 0),)
    assert settings.stages.adjustable == (("absorption_ms", 0, 90_000),)
    assert (settings.own_packs, settings.charger_limits) == (["oak"], "output")
    assert settings.fresh_ms == 5_000
    assert settings_from({"packs": [OAK], "stages": None}).stages.absorption_ms == 1_800_000


def test_settings_go_there_and_back() -> None:
    """What settings become in JSON makes the same settings again."""
    settings = settings_from(
        {"packs": [OAK, {"pack": "fir", "capacity_mah": 5_000}], "cell_count": 8}
    )
    plain = settings_to_plain(settings)
    assert json.loads(json_text(plain)) == json.loads(
        json_text(settings_to_plain(settings_from(plain)))
    )
    assert settings_from(plain).packs[1].capacity_mah == 5_000
    assert plain["cell_count"] == 8
    assert plain["stages"] == {key: getattr(settings.stages, key) for key in STAGE_KEYS}


def test_the_keys_are_the_fields() -> None:
    """No setting is missing from the keys, and no key is missing from the settings."""
    settings = settings_from({"packs": [OAK]})
    assert set(BANK_KEYS) == set(vars(settings))
    assert set(STAGE_KEYS) == set(vars(settings.stages))
    fields = {name for name in dir(settings.packs[0]) if not name.startswith("_")}
    assert set(PACK_KEYS) == fields
    assert _firsts(BUS_INTS) == BUS_KEYS == [row[0] for row in BUS_INTS]


@pytest.mark.parametrize("plain", [None, 7, "oak", [], True, [OAK]])
def test_settings_are_an_object(plain: object) -> None:
    """Anything else is refused as such."""
    assert field_of(plain) == "settings"


@pytest.mark.parametrize(
    ("plain", "place"),
    [
        ({}, "packs"),
        ({"packs": None}, "packs"),
        ({"packs": {}}, "packs"),
        ({"packs": []}, "packs"),
        ({"packs": ["oak"]}, "packs[0]"),
        ({"packs": [OAK, None]}, "packs[1]"),
        ({"packs": [{}]}, "packs[0].pack"),
        ({"packs": [{"pack": None}]}, "packs[0].pack"),
        ({"packs": [OAK, {"pack": "fir", "capacity_mah": 1}]}, "packs[1].capacity_mah"),
        ({"packs": [OAK, {"pack": "fir", "colour": 1}]}, "packs[1]"),
        ({"packs": [OAK, OAK]}, "packs"),
        ({"packs": [OAK], "colour": 1}, "settings"),
        ({"packs": [OAK], 7: 1}, "settings"),
        ({"packs": [OAK], "fresh_ms": None}, "fresh_ms"),
        ({"packs": [OAK], "fresh_ms": "10"}, "fresh_ms"),
        ({"packs": [OAK], "cell_count": None}, "cell_count"),
        ({"packs": [OAK], "cell_count": True}, "cell_count"),
        ({"packs": [OAK], "stages": []}, "stages"),
        ({"packs": [OAK], "stages": {"dwell_ms": -1}}, "stages.dwell_ms"),
        ({"packs": [OAK], "stages": {"colour": 1}}, "stages"),
        ({"packs": [OAK], "own_packs": None}, "own_packs"),
    ],
    ids=str,
)
def test_what_is_wrong_in_settings_is_named_with_its_place(plain: object, place: str) -> None:
    """The path to the field, as it stands in the file."""
    assert field_of(plain) == place


@pytest.mark.parametrize(
    ("read", "keys"),
    [(report_from, REPORT_KEYS), (bus_from, BUS_KEYS), (request_from, REQUEST_KEYS)],
)
def test_a_stray_key_is_refused_and_the_known_ones_are_not(read: object, keys: list[str]) -> None:
    """The least of several stray keys is named, so that their order cannot matter."""
    refusal = read({"zebra": 1, "kolour": 2})  # type: ignore[operator]
    assert isinstance(refusal, Refusal)
    assert str(refusal) == "kolour: expected a known field, got 2"
    record = read(dict.fromkeys(keys))  # type: ignore[operator]
    assert not isinstance(record, Refusal)
    assert {getattr(record, key) for key in keys} <= {None, ""}
    values = {key: [key] for key in keys}
    record = read(values)  # type: ignore[operator]
    assert all(getattr(record, key) is values[key] for key in keys)


@pytest.mark.parametrize(
    ("read", "needed"),
    [(report_from, ["pack", "sample"]), (bus_from, ["sample"]), (request_from, ["kind"])],
)
def test_what_must_be_there_may_be_missing_here(read: object, needed: list[str]) -> None:
    """It is unknown then, and whoever takes the record refuses it by its field."""
    record = read({})  # type: ignore[operator]
    assert [getattr(record, key) for key in needed] == [None] * len(needed)


def test_a_view_has_every_field_of_its_table() -> None:
    """Packs and findings come as lists of objects, alarms as lists of names."""
    site = Site("oak", "fir").is_ready()
    site.says("fir", charge_allowed=False, charge_path_closed=None, warnings=["other"])
    site.runs(15)
    plain = view_to_plain(site.view)
    assert set(plain) == {*VIEW_FIELDS, "packs", "findings"}
    assert plain["warnings"] == ["other"]
    assert plain["findings"] == [{"name": "refusal_path_unknown", "pack": "fir"}]
    rows = plain["packs"]
    assert isinstance(rows, list)
    assert [set(row) for row in rows] == [set(ROW_FIELDS)] * 2
    assert json.loads(json_text(plain)) == plain


def test_a_cap_is_three_values() -> None:
    """As in the driver protocol."""
    assert cap_to_plain(Cap(5, "ramp")) == {"value": 5, "rule": "ramp", "pack": None}


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "null"),
        (True, "true"),
        (False, "false"),
        (-12, "-12"),
        ([], "[]"),
        ((1, [2]), "[1,[2]]"),
        ({}, "{}"),
        ({"b": 1, "a": None}, '{"a":null,"b":1}'),
        ('say "a\\b"', '"say \\"a\\\\b\\""'),
        ("\n\x00\x7f", '"\\u000a\\u0000\\u007f"'),
        ("\u00f6\u20ac", '"\\u00f6\\u20ac"'),
        ("\U0001f600", '"\\ud83d\\ude00"'),
        ("\ud800", '"\\ud800"'),
    ],
    ids=repr,
)
def test_json_text_is_compact_sorted_and_plain(value: object, text: str) -> None:
    """The same bytes on every interpreter: no blanks, sorted keys, ASCII."""
    assert json_text(value) == text


def test_json_text_agrees_with_the_standard_library() -> None:
    """Whatever it writes, a JSON reader reads back as the same value."""
    chance = random.Random(11)

    def value(depth: int) -> object:
        kind = chance.randrange(7 if depth else 5)
        if kind == 0:
            return chance.choice([None, True, False])
        if kind <= 2:
            return chance.randrange(-(10**12), 10**12)
        if kind <= 4:
            return "".join(chr(chance.randrange(1, 0x2FF)) for _ in range(chance.randrange(8)))
        if kind == 5:
            return [value(depth - 1) for _ in range(chance.randrange(4))]
        return {str(chance.random()): value(depth - 1) for _ in range(chance.randrange(4))}

    for _ in range(300):
        made = value(4)
        assert json.loads(json_text(made)) == made


@pytest.mark.parametrize("code", [*range(32, 127), 0x80, 0xFFFF, 0x10000, 0x10001, 0x10FFFF])
def test_json_text_writes_each_character_like_the_standard_library(code: int) -> None:
    """From blank to tilde as it is but for quote and backslash, the rest by its code."""
    assert json_text(chr(code)) == json.dumps(chr(code))
