"""Time wraps, jumps and falls back, and none of it may hurt."""

import pytest

from aggregator.ticks import HALF_RANGE, TICK_MASK, Clock, since

LAST = TICK_MASK  # the tick before the wrap


@pytest.mark.parametrize(
    ("now_ms", "then_ms", "gone_ms"),
    [
        (1_000, 400, 600),
        (400, 1_000, -600),
        (7, 7, 0),
        (0, LAST, 1),
        (4, LAST - 5, 10),
        (LAST, 0, -1),
        (HALF_RANGE - 1, 0, HALF_RANGE - 1),
        (HALF_RANGE, 0, -HALF_RANGE),
    ],
)
def test_since_tells_the_shorter_way_round(now_ms: int, then_ms: int, gone_ms: int) -> None:
    """The time between two ticks is right across the wrap, up to half the range."""
    assert since(now_ms, then_ms) == gone_ms


def test_since_takes_counters_that_never_wrapped() -> None:
    """A caller whose counter is not masked gets the same differences."""
    assert since(5 * (TICK_MASK + 1) + 30, 5 * (TICK_MASK + 1) + 10) == 20


def test_clock_starts_wherever_the_caller_does() -> None:
    """The first tick is the start, whatever it is; from there on time is what passed."""
    clock = Clock()
    assert clock.advance(987_654_321) == 0
    assert clock.advance(987_655_321) == 1_000


def test_clock_passes_the_wrap() -> None:
    """Time runs on where the caller's counter wraps at 2**30."""
    clock = Clock()
    clock.advance(LAST - 500)
    assert clock.advance(499) == 1_000


def test_clock_stands_still_when_the_caller_falls_back() -> None:
    """A restarted counter loses no time and gains none: it goes on from there."""
    clock = Clock()
    clock.advance(0)
    clock.advance(90_000)
    assert clock.advance(20_000) == 0
    assert clock.now_ms == 90_000
    assert clock.advance(21_000) == 1_000


def test_clock_takes_a_leap_over_half_its_range_for_a_step_back() -> None:
    """A leap that could as well be a step back passes no time, rather than 149 hours."""
    clock = Clock()
    clock.advance(0)
    assert clock.advance(HALF_RANGE + 5) == 0


def test_reading_the_clock_does_not_move_it() -> None:
    """Only a step moves time, so the order of reports between two steps cannot matter."""
    clock = Clock()
    clock.advance(100)
    assert clock.read(5_100) - clock.now_ms == 5_000
    assert clock.read(1_100) - clock.now_ms == 1_000
    assert clock.advance(5_100) == 5_000


def test_a_clock_tells_where_it_stands() -> None:
    """Before it starts, step by step, and by how much the caller's counter fell back."""
    clock = Clock()
    assert (clock.started, clock.now_ms, clock.fell_ms, clock.read(7)) == (False, 0, 0, 7)
    for raw_ms, gone_ms, now_ms, fell_ms in (
        (1_000, 0, 1_000, 0),
        (1_400, 400, 1_400, 0),
        (1_400, 0, 1_400, 0),
        (1_399, 0, 1_400, 1),
        (1_399, 0, 1_400, 0),
        (1_500, 101, 1_501, 0),
        (500, 0, 1_501, 1_000),
    ):
        assert clock.advance(raw_ms) == gone_ms
        assert (clock.started, clock.now_ms, clock.fell_ms) == (True, now_ms, fell_ms)
        assert clock.read(raw_ms) == now_ms


@pytest.mark.parametrize("start_ms", [5, LAST, LAST + 1 + 5, -(LAST + 1) + 5, HALF_RANGE + 5])
def test_a_clock_starts_within_its_range(start_ms: int) -> None:
    """Wherever the caller's counter stands, what the core sees of it fits."""
    clock = Clock()
    assert clock.advance(start_ms) == 0
    assert (clock.now_ms, clock.fell_ms) == (start_ms & TICK_MASK, 0)
