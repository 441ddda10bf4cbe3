"""What a map of topics makes of a recording."""

import pytest

from adapters.mqtt.explain import explain
from tests.topic_listener import FULL, MAP


def test_a_recording_is_explained() -> None:
    """Every number with its topic and pointer, the time since the start, raw and in our units."""
    lines = [
        "# t retained topic payload",
        "1700000000.250 1 shed/oak/state " + FULL,
        "1700000002.5 0 shed/fir/charge no",
        "1700000003 0 elsewhere 5",
        "",
    ]
    seen, remarks = explain(MAP, lines)
    assert remarks == []
    assert [(one.at_ms, one.source, one.raw, one.value) for one in seen] == [
        (0, "shed/oak/state/dc/u", 53.12, 53_120),
        (0, "shed/oak/state/dc/i", -4.5, 4_500),
        (0, "shed/oak/state/most", 75.25, 75_250),
        (0, "shed/oak/state/cells/0", 3.31, 3_310),
        (0, "shed/oak/state/cells/1", 3.32, 3_320),
        (2_250, "shed/fir/charge", 0, False),
    ]


def test_a_recordings_bad_messages_are_remarked_on() -> None:
    """With their line and the reason; the others are read, and what stands for "no data" is shown."""
    lines = ["1.5 0 shed/oak/state {", "2 0 shed/oak/charge ?",
             '3 0 shed/oak/state {"dc": {"u": null, "i": 0}}']  # fmt: skip
    seen, remarks = explain(MAP, lines)
    assert [(one.field, one.raw, one.value) for one in seen] == [
        ("charge_allowed", "?", None), ("voltage_mv", "null", None), ("current_ma", 0, 0),
    ]  # fmt: skip
    [remark] = remarks
    assert remark.startswith("line 1: shed/oak/state is refused: not JSON")


def test_a_line_that_is_none_is_told_with_its_number() -> None:
    """And how one looks."""
    with pytest.raises(
        ValueError, match="line 2: expected `t retained topic payload`, got 'hello'"
    ):
        explain(MAP, ["1 0 shed/oak/charge yes", "hello"])
