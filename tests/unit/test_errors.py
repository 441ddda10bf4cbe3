"""What is refused is told in one line: the field, what was expected, what was got."""

import pytest

from aggregator import Refusal, SettingsError
from aggregator.errors import told


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "null"),
        (True, "true"),
        (False, "false"),
        (-5, "-5"),
        (0, "0"),
        ((1 << 62) - 1, "4611686018427387903"),
        (1 - (1 << 62), "-4611686018427387903"),
        (1 << 62, "a huge integer"),
        (-(1 << 62), "a huge integer"),
        (1 << 70, "a huge integer"),
        (-(1 << 4_000), "a huge integer"),
        ("oak", '"oak"'),
        ("", '""'),
        (" ~", '" ~"'),
        ("\x7f", "a long or unprintable text"),
        ("x" * 40, '"' + "x" * 40 + '"'),
        ("x" * 41, "a long or unprintable text"),
        ("line\nbreak", "a long or unprintable text"),
        ("\ud800", "a long or unprintable text"),
        (1.5, "a float"),
        ([1], "a list"),
        ({"a": 1}, "a dict"),
        (b"oak", "a bytes"),
    ],
    ids=lambda value: str(value)[:12].encode("ascii", "replace").decode(),
)
def test_any_value_is_told_in_a_few_plain_words(value: object, text: str) -> None:
    """No value of any type makes a long, multi-line or interpreter-dependent message."""
    assert told(value) == text


def test_a_refusal_reads_as_one_sentence() -> None:
    """A refusal names the place, the expectation and what came instead."""
    refusal = Refusal("soc_permille", "0..1000 or null", 1_200)
    assert str(refusal) == "soc_permille: expected 0..1000 or null, got 1200"
    assert repr(refusal) == "Refusal(soc_permille: expected 0..1000 or null, got 1200)"
    assert (refusal.field, refusal.expected, refusal.got) == (
        "soc_permille",
        "0..1000 or null",
        "1200",
    )


def test_a_settings_error_carries_its_parts() -> None:
    """An installer's program can read the field; a person reads the line."""
    error = SettingsError("fresh_ms", "500..600000", None)
    assert isinstance(error, ValueError)
    assert (error.field, error.expected, error.got) == ("fresh_ms", "500..600000", "null")
    assert str(error) == "fresh_ms: expected 500..600000, got null"
    assert repr(error) == "SettingsError('fresh_ms')"
    assert SettingsError("fresh_ms", "500..600000", 5).got == "5"
