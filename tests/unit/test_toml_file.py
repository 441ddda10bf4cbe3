"""Files that are no settings at all: told in one line, and apart from those that cannot be read."""

from pathlib import Path

import pytest

from adapters.config import load_settings
from adapters.toml_file import BadFileError, quoted


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "expected settings or a scenario, got an empty file"),
        (b"\n# nothing\n", "expected settings or a scenario, got a file without any key"),
        (bytes(range(256)), "expected a TOML text file in UTF-8, got binary data"),
        (b"margin_permille = 40\0", "expected a TOML text file in UTF-8, got binary data"),
        (b"#" * 1_500_000, "expected a TOML file of at most 1 MB, got a larger one"),
        (b"a = " + b"[" * 5_000, "not valid TOML"),
        (b"a = " + b"9" * 5_000, "not valid TOML"),
        (
            b"a = [1, 0x" + b"9" * 5_000 + b"]",
            "a[2]: expected an integer of at most 64 bits, got 20000 bits",
        ),
        (
            b"\na.b = 9223372036854775808",
            "site.toml:2: a.b: expected an integer of at most 64 bits",
        ),
        (b'a = "oak\\u0000"', "a: expected a text without control characters"),
    ],
    ids=[
        "empty",
        "only a comment",
        "binary",
        "a zero byte",
        "huge",
        "nested deeply",
        "a long number",
        "a longer one",
        "a number of 65 bits",
        "a zero byte in a text",
    ],
)
def test_a_file_of_another_kind_is_told_in_one_line(
    tmp_path: Path, content: bytes, said: str
) -> None:
    file = tmp_path / "site.toml"
    file.write_bytes(content)
    with pytest.raises(BadFileError) as caught:
        load_settings(file)
    assert not caught.value.unreadable
    (line,) = caught.value.complaints
    assert said in line


def test_a_file_that_cannot_be_read_is_told_apart(tmp_path: Path) -> None:
    for file in (tmp_path / "nothing.toml", tmp_path):
        with pytest.raises(BadFileError) as caught:
            load_settings(file)
        assert caught.value.unreadable
        assert f"{file}: cannot be read: " in caught.value.complaints[0]


def test_a_quote_is_one_short_line() -> None:
    assert quoted("oak") == '"oak"'
    assert quoted("a\nb") == '"a\\nb"'
    assert len(quoted("x" * 500)) < 70
