"""A short turn of the fuzz of `python -m tests.fuzz`, and that it can fail."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from adapters.jsonlines.lines_in import LinesIn
from aggregator import PackReport
from tests.fuzz.__main__ import every_decoder
from tests.fuzz.decoder import Decoder, throw


def test_nothing_that_comes_raises_or_is_impossible(tmp_path: Path) -> None:
    """Every decoder, noise and nearly right messages; each makes records of what is right."""
    came = {one.name: throw(one, 1_500, seed=2) for one in every_decoder(tmp_path)}
    assert len(came) >= 16
    silent = {name for name, records in came.items() if not records}
    assert silent == {"rv-c charger"}  # makes no records


def test_a_decoder_that_raises_is_found() -> None:
    """With the bytes that did it."""

    class Fragile(LinesIn):
        def received(self, item: bytes, now_ms: int) -> list[PackReport]:  # type: ignore[override]  # less
            return [PackReport("oak", item[3])]

    def whole(data: bytes) -> Iterator[bytes]:
        yield data

    with pytest.raises(AssertionError, match=r"fragile: input .*IndexError"):
        throw(Decoder("fragile", Fragile, whole, []), 1_000, seed=1)


def test_a_number_that_no_report_may_carry_is_found() -> None:
    """A no-data code handed over as a number."""

    class Loose(LinesIn):
        def received(self, item: bytes, now_ms: int) -> list[PackReport]:  # type: ignore[override]  # less
            return [PackReport("oak", 1, soc_permille=10 * len(item))]

    def whole(data: bytes) -> Iterator[bytes]:
        yield data * 3

    with pytest.raises(AssertionError, match=r"soc_permille: expected 0\.\.1000 or null"):
        throw(Decoder("loose", Loose, whole, []), 1_000, seed=1)
