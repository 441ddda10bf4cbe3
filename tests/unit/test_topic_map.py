"""An owner's map of topics: what it says, and every mistake in one pass."""

from pathlib import Path

import pytest

from adapters.mqtt.topic_map import load_map
from adapters.toml_file import BadFileError

GOOD = """\
kind = "topics"

[[topics]]
topic = "shed/{pack}/state"
  [[topics.values]]
  field = "voltage_mv"
  pointer = "/dc/voltage"
  unit = "V"
  [[topics.values]]
  field = "charge_allowed"
  pointer = "/charge"
  words = {yes = 1, no = 0}

[[topics]]
topic = "shed/{pack}/size"
keep_s = 600
retained = true
  [[topics.values]]
  field = "capacity_mah"
  unit = "Ah"
"""


def complaints(folder: Path, text: str) -> list[str]:
    """What is said about a map, without the file's name."""
    path = folder / "map.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadFileError) as found:
        load_map(path)
    return [one.removeprefix(str(path)) for one in found.value.complaints]


def test_a_map_says_what_stands_in_it(tmp_path: Path) -> None:
    """Topics in their order, rows with their pointers, times in seconds."""
    path = tmp_path / "map.toml"
    path.write_text(GOOD, encoding="utf-8")
    found = load_map(path)
    assert [topic.topic for topic in found.topics] == ["shed/{pack}/state", "shed/{pack}/size"]
    assert [row.pointer for row in found.topics[0].values] == ["/dc/voltage", "/charge"]
    assert found.topics[0].keep_ms is None
    assert found.topics[1].keep_ms == 600_000
    assert found.topics[1].retained


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('kind = "topics"', 'kind = "topic"', ":1: kind: expected \"topics\", got \"topic\""),
        ("shed/{pack}/state", "shed/+/state", ":4: topics[1].topic: expected 1..200 characters"),
        ('"voltage_mv"', '"volts_mv"', ":6: topics[1].values[1].field: expected a field of the records"),
        ("/dc/voltage", "dc/voltage", ":7: topics[1].values[1].pointer: expected an RFC 6901"),
        ("/dc/voltage", "/dc~2", ":7: topics[1].values[1].pointer: expected an RFC 6901"),
        ("keep_s = 600\n", "", "retained: expected a topic with keep_s"),
        ("keep_s = 600", "keep_s = 0", ":16: topics[2].keep_s: expected 1..3600 s, got 0"),
        ("keep_s = 600", 'keep_s = "600"', ':16: topics[2].keep_s: expected a number, got "600"'),
        ("shed/{pack}/size", "shed/{pack}/state", ":15: topics[2].topic: expected each topic once"),
        ('"capacity_mah"\n  unit = "Ah"', '"voltage_mv"', ":19: topics[2].values[1].field: expected each"),
        ('  pointer = "/charge"\n', "", "topics[1].values: expected either a pointer in every row"),
        ("keep_s = 600", 'keep_s = 600\nalive = ["yes"]', "values: expected either"),
        ("keep_s = 600", 'keep_s = 600\nalive = ["yes"]', ":16: topics[2].keep_s: expected none"),
        ('unit = "V"', 'unit = "Volt"', ":8: topics[1].values[1].unit: expected one of V, mV"),
        ('unit = "V"', 'units = "V"', ':8: topics[1].values[1].units: expected a key of this table'),
    ],
)  # fmt: skip
def test_each_mistake_is_told_with_its_place(
    tmp_path: Path, old: str, new: str, complaint: str
) -> None:
    """File, line, key, what was expected and what was got."""
    assert old in GOOD
    found = complaints(tmp_path, GOOD.replace(old, new, 1))
    assert any(complaint in one for one in found), found


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    """A second look is not needed."""
    text = GOOD.replace("/dc/voltage", "dc").replace("600", "9000").replace("charge_all", "charg")
    assert len(complaints(tmp_path, text)) == 3


def test_a_misspelt_field_gets_a_hint(tmp_path: Path) -> None:
    """The nearest name is offered."""
    found = complaints(tmp_path, GOOD.replace("voltage_mv", "volatge_mv"))
    assert 'did you mean "voltage_mv"?' in found[0]


def test_some_topic_must_come_with_every_reading(tmp_path: Path) -> None:
    """With seldom topics alone, nothing would tell that a pack is there."""
    text = GOOD.replace('state"', 'state"\nkeep_s = 60')
    assert "at least one topic with values and without keep_s" in complaints(tmp_path, text)[0]


def test_alarms_need_their_bits(tmp_path: Path) -> None:
    """An alarm's number means nothing by itself, and the names are those of the table."""
    row = '\n  [[topics.values]]\n  field = "warnings"\n  pointer = "/w"\n'
    text = GOOD.replace('unit = "V"\n', 'unit = "V"\n' + row, 1)
    assert "bits: expected which bit is which alarm" in complaints(tmp_path, text)[0]
    named = text.replace('pointer = "/w"', 'pointer = "/w"\n  bits = {0 = "too_hot", x = "other"}')
    assert len(complaints(tmp_path, named)) == 2
