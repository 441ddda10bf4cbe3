"""JSON pointers into a message."""

import pytest

from adapters.mqtt.payload import MISSING, at, steps_of


@pytest.mark.source("RFC6901", "section 5, the example document and its evaluations")
@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1), ("/c%d", 2),
        ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
    ],
)  # fmt: skip
def test_pointers_are_those_of_the_standard(pointer: str, value: object) -> None:
    """Every row of the standard's own example."""
    document = {"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5,
                'k"l': 6, " ": 7, "m~n": 8}  # fmt: skip
    assert at(document, steps_of(pointer)) == value
    assert at(document, steps_of("")) == document


@pytest.mark.parametrize("pointer", ["/foo/2", "/foo/01", "/foo/-", "/foo/-1", "/foo/x", "/bar"])
def test_pointers_to_nothing_find_nothing(pointer: str) -> None:
    """A missing member, an index past the end, with a leading zero or a sign."""
    assert at({"foo": ["a", "b"]}, steps_of(pointer)) is MISSING
