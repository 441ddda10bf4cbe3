"""Hostile files: a short turn of `python -m tests.fuzz`, and that it can fail."""

from pathlib import Path
from random import Random

import pytest

from adapters.config import load_settings
from tests.fuzz.__main__ import every_decoder
from tests.fuzz.files import KINDS, Kind, complete, hostile, read_all


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """All files of a site, and a day, a bank and vectors beside them."""
    every_decoder(tmp_path)
    complete(tmp_path)
    for kind in KINDS:
        kind.read(tmp_path / kind.entry)  # all of them are right
    return tmp_path


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.file)
def test_strange_values_and_any_change_are_read_or_told(folder: Path, kind: Kind) -> None:
    """Some of them; `python -m tests.fuzz --changes N` tries more."""
    right = (folder / kind.file).read_bytes()
    assert read_all(folder, kind, hostile(right, Random(kind.file), 70)) == 140


def test_a_reader_that_raises_is_found(folder: Path) -> None:
    def fragile(path: Path) -> object:
        load_settings(path)
        return {}[path.read_bytes()[:1]]

    kind = Kind("bank-alone.toml", "bank-alone.toml", fragile)
    with pytest.raises(AssertionError, match="KeyError"):
        read_all(folder, kind, [(folder / kind.file).read_bytes()])
