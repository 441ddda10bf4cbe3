"""Slow groups of registers and slow frames that may forbid: their silence holds reports back."""

from pathlib import Path

from adapters.framed.talker import FramesTalker
from adapters.modbus import PackPoller, PollSettings
from adapters.registers import Answer, Ask
from aggregator import PackReport
from tests.framed_board import described, fast_and_slow
from tests.registers import map_in, view_of

VIEW = view_of()


def test_a_slow_group_that_may_forbid_is_needed(tmp_path: Path) -> None:
    """When it stops coming the pack makes no more reports: its silence must not lift a refusal."""
    text = """
kind = "registers"
[[groups]]
name = "now"
rows = [{ field = "voltage_mv", address = 0 }]
[[groups]]
name = "flags"
keep_ms = 5000
rows = [{ field = "charge_allowed", address = 10 }]
"""
    poller = PackPoller(map_in(tmp_path, text), PollSettings(map="", pack="oak"))
    words = {0: 53_120, 10: 0}
    seen: list[tuple[int, bool | None]] = []
    for now_ms in range(0, 20_000, 100):
        for ask in poller.due(now_ms, VIEW, True):
            assert isinstance(ask, Ask)
            dead = ask.address == 10 and now_ms > 2_000
            answer = Answer(ask, None if dead else (words[ask.address],), "device failure")
            for one in poller.received(answer, now_ms):
                assert isinstance(one, PackReport)
                seen.append((now_ms, one.charge_allowed))
    assert {allowed for _, allowed in seen} == {False}
    assert 5_000 < seen[-1][0] <= 7_100


def test_a_slow_frame_that_may_forbid_is_needed(tmp_path: Path) -> None:
    """When it stops coming the pack makes no more reports: its silence must not lift a refusal."""
    talker = FramesTalker(
        described(tmp_path, fast_and_slow('field = "charge_allowed"')), {"oak": 0}
    )
    fast, refuses = bytes.fromhex("0102000A"), bytes.fromhex("020000")
    assert talker.received(fast, 0) == []
    talker.received(refuses, 1_000)
    (told,) = talker.received(fast, 2_000)
    assert isinstance(told, PackReport)
    assert told.charge_allowed is False
    assert talker.received(fast, 7_000) == []
