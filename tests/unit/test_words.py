"""Everything the core can name has plain words, and no word is left for what is gone."""

import pytest

from adapters import words
from aggregator import LIMITS
from aggregator.cycle import STAGES
from aggregator.findings import BANK_FINDINGS, PACK_FINDINGS
from aggregator.limits import CURRENT_RULES, VOLTAGE_RULES
from aggregator.pack import LATE, LIVE, REMOVED, UNHEARD
from aggregator.presence import DECLARED, FROZEN, FROZEN_LATE, NEVER_HEARD, SILENT
from aggregator.rows import REASONS
from aggregator.stages import TRANSITIONS

TABLES = {
    "rules": (words.RULES, [row[0] for row in CURRENT_RULES + VOLTAGE_RULES]),
    "findings": (words.FINDINGS, [row[0] for row in BANK_FINDINGS + PACK_FINDINGS]),
    "stages": (words.STAGES, STAGES),
    "transitions": (words.TRANSITIONS, [row[3] for row in TRANSITIONS]),
    "presence": (words.PRESENCE, [LIVE, LATE, UNHEARD, REMOVED]),
    "silence": (words.SILENCE, [NEVER_HEARD, SILENT, FROZEN, FROZEN_LATE, DECLARED]),
    "reasons": (words.REASONS, [row[0] for row in REASONS]),
    "limits": (words.LIMITS, LIMITS),
}


@pytest.mark.parametrize("name", TABLES)
def test_the_words_are_those_the_core_needs(name: str) -> None:
    table, needed = TABLES[name]
    assert set(table) == set(needed)


@pytest.mark.parametrize("name", TABLES)
def test_words_are_short_and_plain(name: str) -> None:
    table, _ = TABLES[name]
    for text in table.values():
        assert text.strip() == text
        assert 0 < len(text) <= 70
        assert "_" not in text


@pytest.mark.parametrize(
    ("ms", "text"),
    [(0, "0 s"), (59_999, "59 s"), (61_000, "1 min 01 s"), (3_600_000, "1 h 00 min"),
     (90_061_000, "25 h 01 min")],
)  # fmt: skip
def test_durations_have_their_two_largest_units(ms: int, text: str) -> None:
    assert words.duration(ms) == text


def test_a_direction_and_its_reason_are_both_told() -> None:
    assert words.why_ignored("charge: withheld") == "charge: left out by the owner"
    assert words.why_ignored("silent") == "no readings"


def test_one_of_a_kind_is_counted_as_one() -> None:
    said = [words.counted(count, noun) for noun in ("pack", "story") for count in (0, 1, 2)]
    assert said == ["0 packs", "1 pack", "2 packs", "0 stories", "1 story", "2 stories"]
