"""Framed serial by an owner's description: frames are found, read, checked, asked for and written."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.framed.codec import FrameCodec
from adapters.framed.description import Description
from adapters.framed.talker import FramesTalker, PlaysPack
from aggregator import Aggregator, BankSettings, PackReport, PackSettings
from aggregator.report import SAMPLE_MODULO
from tests.framed_board import CELLS, STATE, described, fast_and_slow, report


@pytest.fixture
def state(tmp_path: Path) -> Description:
    """A description of one frame."""
    return described(tmp_path, STATE)


VIEW = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)])).step(0)


def test_a_frame_written_out_by_hand_is_read(state: Description) -> None:
    """Offsets, scales, signs, bits and lists are those of the description."""
    talker = FramesTalker(state, {"oak": 1})
    frame = bytes.fromhex("AA0190 14C0 01A9 57 0384 03 08" + " 0CF0 0D03" * 8 + " 01C0")
    frame += FrameCodec(state.frames[0], state, 1)._sum_bytes(frame)
    (got,) = talker.received(frame, 0)
    assert isinstance(got, PackReport)
    assert (got.voltage_mv, got.current_ma, got.soc_permille) == (53_120, -42_500, 870)
    assert (got.charge_current_limit_ma, got.discharge_voltage_limit_mv) == (90_000, 44_800)
    assert (got.charge_allowed, got.discharge_allowed) == (True, True)
    assert got.protections == ("short_circuit",)
    assert got.cells_mv == CELLS


@pytest.mark.source("REVENG", "CRC-16/MODBUS")
def test_a_request_ends_in_its_checksum(state: Description) -> None:
    """The CRC goes low byte first, as its order says; the address is the pack's."""
    codec = FrameCodec(state.frames[0], state, 7)
    crc = 0xFFFF  # bit by bit, without crcmod
    for byte in bytes.fromhex("AA0710"):
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    assert codec.request == bytes.fromhex("AA0710") + crc.to_bytes(2, "little")


def test_an_answer_is_as_old_as_its_question(state: Description) -> None:
    """It may have waited in a buffer while the gateway was away, or come after its time."""
    talker = FramesTalker(state, {"oak": 1}, answer_ms=200, gap_ms=20)
    answer = FrameCodec(state.frames[0], state, 1).write(report())
    talker.due(0, VIEW, False)
    talker.due(1_000, VIEW, False)  # unanswered, asked again: the answer may be to the first
    (late,) = talker.received(answer, 61_000)
    assert isinstance(late, PackReport)
    assert late.age_ms == 61_000
    talker.due(62_000, VIEW, False)
    (prompt,) = talker.received(answer, 62_050)
    assert isinstance(prompt, PackReport)
    assert prompt.age_ms == 50


def test_every_frame_is_as_old_as_its_question(tmp_path: Path) -> None:
    """One waited 8 s in a buffer, and the one that makes the report whole came at once."""
    text = fast_and_slow('field = "soc_permille"\nunit = "%"').replace("keep_ms = 5000\n", "")
    for start in ("01", "02"):
        text = text.replace(f'start = "{start}"', f'start = "{start}"\nrequest = "7{start[1]}"')
    talker = FramesTalker(described(tmp_path, text), {"oak": 0}, answer_ms=200)
    assert list(talker.due(0, VIEW, False)) == [b"\x71"]
    assert list(talker.due(7_990, VIEW, False)) == [b"\x72"]
    assert list(talker.received(bytes.fromhex("0102000A"), 8_000)) == []
    (report,) = talker.received(bytes.fromhex("020032"), 8_010)
    assert isinstance(report, PackReport)
    assert (report.current_ma, report.age_ms) == (10_000, 8_010)


def test_packs_whose_frames_look_alike_are_refused(tmp_path: Path) -> None:
    """One pack's reading must never count as the other's, nor one kind of frame as the other."""
    nameless = described(tmp_path, fast_and_slow('field = "soc_permille"\nunit = "%"'))
    with pytest.raises(ValueError, match="each begin in their own way"):
        FramesTalker(nameless, {"oak": 1, "fir": 2})
    alike = described(
        tmp_path, fast_and_slow('field = "soc_permille"').replace('start = "02"', 'start = "01"')
    )
    with pytest.raises(ValueError, match="each begin in their own way"):
        FramesTalker(alike, {"oak": 1})


def test_packs_on_one_line_take_turns(state: Description) -> None:
    """The next question waits for the answer to the last, or for its time to run out."""
    talker = FramesTalker(state, {"oak": 1, "fir": 2}, answer_ms=200, gap_ms=20)
    oak = FrameCodec(state.frames[0], state, 1)
    fir = FrameCodec(state.frames[0], state, 2)
    assert list(talker.due(0, VIEW, False)) == [oak.request]
    assert list(talker.due(100, VIEW, False)) == []
    talker.received(oak.write(report()), 110)
    assert list(talker.due(120, VIEW, False)) == []
    assert list(talker.due(131, VIEW, False)) == [fir.request]
    assert list(talker.due(330, VIEW, False)) == []
    assert list(talker.due(331, VIEW, False)) == []
    assert talker.counts.dropped == 1
    assert list(talker.due(999, VIEW, False)) == []
    assert list(talker.due(1_000, VIEW, False)) == [oak.request]


def test_a_wrong_checksum_is_refused_and_the_next_frame_is_read(state: Description) -> None:
    """One bad frame costs one report, not the line."""
    talker = FramesTalker(state, {"oak": 1})
    good = FrameCodec(state.frames[0], state, 1).write(report())
    bad = bytearray(good)
    bad[4] ^= 1
    assert len(talker.received(bytes(bad) + good, 0)) == 1
    assert talker.counts.refused == 1
    assert talker.counts.trouble == "oak: state: wrong checksum"


def test_no_data_is_unknown(state: Description) -> None:
    """What stands for "no data" is no number; nor is a value outside what a report may carry."""
    talker = FramesTalker(state, {"oak": 1})
    frame = FrameCodec(state.frames[0], state, 1).write(
        report(soc_permille=None, charge_current_limit_ma=None, cells_mv=(60_000, *CELLS[1:]))
    )
    (got,) = talker.received(frame, 0)
    assert isinstance(got, PackReport)
    assert (got.soc_permille, got.charge_current_limit_ma, got.cells_mv) == (None, None, None)


@given(data=st.data())
def test_any_chunks_of_noise_and_frames_never_raise(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Garbage between frames is thrown away, in whatever chunks it comes, and frames are found."""
    state = described(tmp_path_factory.mktemp("map"), STATE)
    good = FrameCodec(state.frames[0], state, 1).write(report())
    noise = st.binary(max_size=30).filter(lambda b: b"\xaa" not in b)
    stream, count = b"", 0
    for _ in range(data.draw(st.integers(1, 5))):
        stream += data.draw(noise) + good
        count += 1
    talker, found = FramesTalker(state, {"oak": 1}), 0
    while stream:
        size = data.draw(st.integers(1, len(stream)))
        found += len(talker.received(stream[:size], 0))
        stream = stream[size:]
    assert found == count


@given(chunks=st.lists(st.binary(max_size=60) | st.just(bytes.fromhex("AA0190"))))
def test_nothing_raises(chunks: list[bytes], tmp_path_factory: pytest.TempPathFactory) -> None:
    """Whatever comes, nothing raises, and no report is made of it."""
    talker = FramesTalker(described(tmp_path_factory.mktemp("map"), STATE), {"oak": 1})
    for number, chunk in enumerate(chunks):
        for one in talker.received(chunk, number * 100):
            assert isinstance(one, PackReport)
            assert one.sample is not None
            assert 0 <= one.sample < SAMPLE_MODULO


@given(
    limit_ma=st.integers(0, 6_000_000) | st.none(),
    current_ma=st.integers(-3_000_000, 3_000_000),
    low_mv=st.integers(0, 6_000_000),
    allowed=st.booleans(),
)
def test_written_and_read_back_a_limit_is_never_higher(
    limit_ma: int | None, current_ma: int, low_mv: int, allowed: bool,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:  # fmt: skip
    """Both ways through one description: limits only get less, measured values stay within a step."""
    state = described(tmp_path_factory.mktemp("map"), STATE)
    told = report(charge_current_limit_ma=limit_ma, current_ma=current_ma, charge_allowed=allowed,
                  discharge_voltage_limit_mv=low_mv)  # fmt: skip
    talker = FramesTalker(state, {"oak": 1})
    found = talker.received(FrameCodec(state.frames[0], state, 1).write(told), 0)
    if not found:  # a voltage limit beyond what the core takes is none: then nothing is taken
        assert low_mv > 149_900
        assert "no discharge_voltage_limit_mv in it" in (talker.counts.trouble or "")
        return
    (got,) = found
    assert isinstance(got, PackReport)
    assert got.charge_allowed is allowed
    if limit_ma is None or got.charge_current_limit_ma is None:
        assert got.charge_current_limit_ma is None
    else:
        assert limit_ma - 100 < got.charge_current_limit_ma <= limit_ma
    if got.discharge_voltage_limit_mv is not None and low_mv <= 150_000:
        assert got.discharge_voltage_limit_mv >= low_mv
    if got.current_ma is not None and abs(current_ma) < 1_000_000:
        assert abs(got.current_ma - current_ma) <= 50


def test_a_pack_played_by_the_same_description_answers(state: Description) -> None:
    """Both sides of a line understand each other."""
    asks, pack = FramesTalker(state, {"oak": 9}), PlaysPack(state, 9)
    pack.report = report()
    for request in asks.due(0, VIEW, False):
        pack.received(request, 0)
    answers = pack.due(1, VIEW, False)
    (got,) = [one for answer in answers for one in asks.received(answer, 2)]
    assert isinstance(got, PackReport)
    assert got.voltage_mv == 53_120


HEX = """
kind = "frames"
[[frames]]
name = "cells"
start = "3A"
end = "0D"
text = "hex"
checksum = { kind = "sum", negated = true }
checksum_from = 1
  [[frames.fields]]
  at = 1
  field = "voltage_mv"
  unit = "V"
  scale = 0.1
"""


def test_digits_between_start_and_end_are_read(tmp_path: Path) -> None:
    """A frame in hex digits: a colon, digits, a sum, a carriage return."""
    talker = FramesTalker(described(tmp_path, HEX), {"oak": 0})
    # 531 = 0x0213; the sum of 0x02, 0x13 and 0xEB is 0.
    (got,) = talker.received(b"noise:0213EB\r", 0)
    assert isinstance(got, PackReport)
    assert got.voltage_mv == 53_100
    assert talker.received(b":0213EC\r:02x3EB\r", 1) == []
    assert talker.counts.refused == 2


def test_a_slow_frame_is_waited_for_by_nobody(tmp_path: Path) -> None:
    """A slow frame's values count until they are too old; the cycle goes on without them."""
    talker = FramesTalker(
        described(tmp_path, fast_and_slow('field = "soc_permille"\nunit = "%"')), {"oak": 0}
    )
    fast, slow = bytes.fromhex("0102000A"), bytes.fromhex("020032")
    (first,) = talker.received(fast, 0)
    talker.received(slow, 1_000)
    (second,) = talker.received(fast, 2_000)
    (third,) = talker.received(fast, 7_000)
    seen = [
        (one.current_ma, one.soc_permille)
        for one in (first, second, third)
        if isinstance(one, PackReport)
    ]
    assert seen == [(10_000, None), (10_000, 500), (10_000, None)]


def test_half_a_frame_does_not_swallow_the_next(tmp_path: Path) -> None:
    """A frame that breaks off is given up after a pause."""
    talker = FramesTalker(
        described(tmp_path, fast_and_slow('field = "soc_permille"\nunit = "%"')), {"oak": 0}
    )
    assert talker.received(bytes.fromhex("01 20 00"), 0) == []
    assert len(talker.received(bytes.fromhex("0102000A"), 1_000)) == 1
