"""An owner's description of frames: every mistake in one pass, recordings, the page's example."""

from pathlib import Path

import pytest

from adapters.framed.codec import FrameCodec
from adapters.framed.description import load_map
from adapters.framed.explain import explain
from adapters.gateway.site_file import load_site
from adapters.links import LinkError
from adapters.toml_file import BadFileError
from tests.framed_board import CELLS, SITE, STATE, described, report


def test_every_mistake_is_told_in_one_pass(tmp_path: Path) -> None:
    """Each with its file, line and key, what was expected, what was got."""
    wrong = STATE.replace('"voltage_mv"', '"voltage_mw"').replace("length = 48", "length = 45")
    wrong = wrong.replace('"CRC-16/MODBUS"', '"CRC-17"').replace('"AA addr 90"', '"AA addx 90"')
    with pytest.raises(BadFileError) as caught:
        described(tmp_path, wrong)
    told = "\n".join(caught.value.complaints)
    for part in ("board.toml:10: frames[1].start: expected bytes in hex, such as AA 01, or addr", "checksum.name: expected one of", "up to 45",
                 'did you mean "voltage_mv"?'):  # fmt: skip
        assert part in told
    assert len(caught.value.complaints) == 4


def test_a_count_without_end_is_told_with_the_field_s_other_mistakes(tmp_path: Path) -> None:
    """It once was counted to, to see whether all of them lie in the frame."""
    wrong = STATE.replace("count = 16", "count = 1_000_000_000_000_000_000\nstep = 0")
    with pytest.raises(BadFileError) as caught:
        described(tmp_path, wrong)
    count, step = caught.value.complaints
    assert count.endswith(".count: expected 1..32, got 1000000000000000000")
    assert step.endswith(".step: expected 1..64 bytes, got 0")


def test_a_recording_is_explained(tmp_path: Path) -> None:
    """Every number with its place, as it stood there and as the core takes it."""
    state = described(tmp_path, STATE)
    good = FrameCodec(state.frames[0], state, 1).write(report())
    lines = ["# a note", f"12.5 {good[:9].hex(' ')}", f"12.6 {good[9:].hex()}"]
    seen = explain(state, lines, address=1)
    volts = next(one for one in seen if one.field == "voltage_mv")
    assert (volts.at_ms, volts.source, volts.raw, volts.value) == (
        12_600,
        "state, byte 3, u16",
        5_312,
        53_120,
    )
    assert [one.value for one in seen if one.field == "cells_mv"] == list(CELLS)
    with pytest.raises(LinkError, match="line 1: expected seconds and bytes in hex"):
        explain(state, ["what?"])


def test_the_pages_example_can_be_copied(tmp_path: Path) -> None:
    """The site and the description of docs/how-to/framed-serial.md are right as they stand."""
    (tmp_path / "board.toml").write_text(STATE, encoding="utf-8")
    (tmp_path / "SITE.toml").write_text(SITE, encoding="utf-8")
    plan = load_site(tmp_path / "SITE.toml")
    assert [pack.pack for pack in plan.settings.packs] == ["oak", "fir"]
    assert len(load_map(tmp_path / "board.toml").frames[0].fields) == 9
