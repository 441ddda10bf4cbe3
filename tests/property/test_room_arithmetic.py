"""The arithmetic of rooms and shares alone, against the same rules spelt out in fractions.

The rules themselves are argued in docs/explanation/headroom.md; here every branch is met, which
whole banks meet rarely: shares that were learned, packs without a path, currents the other way.
"""

from fractions import Fraction
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.headroom import _assumed_permille, _back_off, _fill_in, _keep_steady, _widest
from aggregator.reference import NO_CAP, Reference
from tests.property.bare_side import HARD, banks, shares, side


@HARD
@given(banks(), st.booleans(), st.booleans(), st.integers(-3, 20))
def test_backing_off(
    bank: tuple[list[int], list[int | None], list[int]],
    learned: bool,
    has_quiet: bool,
    quiet_tens: int,
) -> None:
    """Every pack that is above its limit pulls the total down by the most of what is known."""
    flows, limits, lower = bank
    total = sum(flows)
    quiet = Reference(len(flows))
    if has_quiet:
        quiet.take(quiet_tens * 10_000, side([0] * len(flows), limits).room_ma, 1)
    expected = total
    for i, limit in enumerate(limits):
        if limit is None or flows[i] <= limit:
            continue
        room = limit - flows[i]
        expected = min(expected, total + room)
        if total > 0 and flows[i] > 0:
            expected = min(expected, total // 100 * (limit * 1_000 // flows[i]) // 10)
        share = lower[i] if learned else 0
        grown = total - quiet_tens * 10_000
        if not learned and has_quiet and grown > 0:
            share = min(1_000, max(10, flows[i] * 1_000 // grown))
        if share:
            expected = min(expected, (Fraction(room * 1_000, share)).__floor__() + total)
    made = side(flows, limits, quiet=quiet)
    got = _back_off(made, shares([1] * len(flows), lower, learned))
    assert (got, type(got)) == (expected, int)


@pytest.mark.parametrize(
    ("limit_ma", "bank_ma"),
    [
        (100_000, 150_000),  # just at its limit: nothing to take back
        (99_999, 149_850),  # 1 mA above: in proportion, in steps of a permille
        (0, 0),
    ],
)
def test_backing_off_from_the_edge(limit_ma: int, bank_ma: int) -> None:
    """One milliampere decides whether a pack is above its limit."""
    made = side([100_000, 50_000], [limit_ma, 100_000])
    assert _back_off(made, shares([1, 1], learned=False)) == bank_ma


def test_at_its_limit_nothing_is_rounded() -> None:
    """A pack that is just at its limit leaves the total as it is, odd as it may be."""
    made = side([100_000, 50_077], [100_000, 100_000])
    assert _back_off(made, shares([1, 1], learned=False)) == 150_077


def test_backing_off_from_small_currents() -> None:
    """1 mA is a current: it is taken back in proportion; against the flow, only by the excess."""
    nothing = shares([1, 1], learned=False)
    assert _back_off(side([1, 0], [0, 10]), nothing) == 0
    assert _back_off(side([1, 200], [0, 900]), nothing) == 0
    assert _back_off(side([300, -100], [300, -150]), nothing) == 150
    assert _back_off(side([-300, 100], [0, 50]), nothing) == -250


@HARD
@given(banks(), st.integers(1_000, 3_000))
def test_a_remembered_moment_tells_a_total(
    bank: tuple[list[int], list[int | None], list[int]], assumed: int
) -> None:
    """Its total and the least of the rooms divided by the shares, or by the assumed one."""
    flows, limits, upper = bank
    assumed -= assumed % 100
    moment = Reference(len(flows))
    moment.take(sum(flows), side(flows, limits).room_ma, 1)
    rooms = [(i, limit - flows[i]) for i, limit in enumerate(limits) if limit is not None]
    known = min([Fraction(room * 1_000, upper[i]) for i, room in rooms], default=NO_CAP)
    got = moment.learned_total_ma(upper)
    assert (got, type(got)) == (sum(flows) + known, int)
    if rooms:  # else there is a rule of its own
        got = moment.safe_total_ma(assumed)
        least = min(Fraction(room * assumed, 1_000) for _, room in rooms)
        assert (got, type(got)) == (sum(flows) + least, int)


def test_a_remembered_share_is_rounded_before_it_divides() -> None:
    """101 permille of a pack are 9900 times a hundredth, not 9901."""
    moment = Reference(1)
    moment.take(0, [1_000_000], 1)
    assert moment.learned_total_ma([101]) == 9_900_000


def test_a_remembered_moment_is_forgotten() -> None:
    """When its time is up, and not a millisecond before; it is kept as it was, not as it becomes."""
    moment = Reference(2)
    assert (moment.valid, moment.total_ma, moment.left_ms) == (False, 0, 0)
    assert moment.room_ma == [NO_CAP, NO_CAP]
    rooms = [3, 4]
    moment.take(7, rooms, 1_000)
    rooms[0] = 9
    assert (moment.valid, moment.total_ma, moment.room_ma) == (True, 7, [3, 4])
    moment.run_down(400)
    moment.run_down(599)
    assert (moment.valid, moment.left_ms) == (True, 1)
    moment.run_down(1)
    assert (moment.valid, moment.left_ms) == (False, 0)
    moment.take(7, rooms, 10)
    moment.run_down(500)
    assert (moment.valid, moment.left_ms) == (False, 0)


def test_a_remembered_moment_counts_while_nobody_is_above_a_limit() -> None:
    """Exactly at one is not above; and what packs took over since is gone from their rooms."""
    moment = Reference(2)
    moment.follow([1, 2])
    assert (moment.counts(), moment.room_ma) == (False, [NO_CAP, NO_CAP])
    moment.take(7, [3, 2], 1_000)
    assert moment.counts()
    moment.follow([1, 2])
    assert (moment.counts(), moment.room_ma, moment.total_ma) == (True, [2, 0], 7)
    moment.follow([0, 1])
    assert (moment.counts(), moment.room_ma) == (False, [2, -1])


@pytest.mark.parametrize(
    ("total_ma", "flow_ma", "share"),
    [
        (1_000, 500, 0),  # the total is as it was
        (999, 500, 0),
        (1_001, 101, 1_000),  # 1 of 1
        (2_000, 600, 500),  # 500 of 1000
        (2_000, 1_100, 1_000),
        (2_000, 1_099, 999),
        (2_000, 3_000, 1_000),
        (4_000, 1_099, 333),  # rounded down
        (4_000, 2_100, 666),
        (2_000, 100, 77),  # nothing of it, but no pack takes less than the least
        (2_000, 0, 77),
    ],
)
def test_a_share_since_then(total_ma: int, flow_ma: int, share: int) -> None:
    """What the pack took of what the total grew."""
    moment = Reference(2)
    moment.take(1_000, [4_100, 4_900], 1)  # of 5 A: it carried 100 mA
    got = moment.share_permille(1, total_ma, 5_000 - flow_ma, 77)
    assert (got, type(got)) == (share, int)


@pytest.mark.parametrize(("count", "permille"), [(1, 1_000), (2, 1_250), (3, 1_500), (5, 2_000)])
def test_the_assumed_split(count: int, permille: int) -> None:
    """One pack and a quarter of each other one, at the ratio of four; packs without a path both ways
    do not count."""
    limits: list[int | None] = [10_000] * (count + 2)
    connected = bytearray([0, *[1] * count, 0])
    assert _assumed_permille(side([0] * (count + 2), limits, connected=connected)) == permille


def test_the_widest_of_the_good_readings() -> None:
    """Now; the quiet moment while the total flows the other way; the steady one if it may be used."""
    nothing = shares([1_000, 1_000], learned=False)
    made = side([-10_000, -10_000], [100_000, 100_000])
    assert _widest(made, 110_000, nothing) == 90_000
    made.quiet.take(0, [100_000, 100_000], 1)
    assert _widest(made, 110_000, nothing) == 90_000  # 7 tenths of 100 A
    assert type(_widest(made, 0, nothing)) is int
    assert _widest(made, 30_000, nothing) == 70_000
    made.total_ma = 0
    assert _widest(made, 30_000, nothing) == 30_000  # it does not flow the other way
    made.total_ma = -1
    assert _widest(made, 30_000, nothing) == 70_000
    halves = shares([500, 500])
    assert _widest(made, 30_000, halves) == 100_000  # all of it, once shares are learned
    steady = side([20_000, 20_000], [100_000, 100_000], learned=True)
    assert _widest(steady, 80_000, halves) == 120_000
    steady.steady.take(40_000, [80_000, 80_000], 1)
    assert _widest(steady, 80_000, halves) == 200_000
    assert _widest(steady, 170_000, halves) == 210_000
    steady.learns, steady.widens = False, True  # loads share the bus: the assumed split
    assert _widest(steady, 80_000, halves) == 140_000
    steady.widens = False
    assert _widest(steady, 80_000, halves) == 120_000


def test_a_bus_meter_fills_in_the_one_that_is_missing() -> None:
    """What the others do not carry; a pack without a path has no room for it."""
    made = side([30_000, 0, -5_000], [100_000, 100_000, None], sign=1)
    _fill_in(made, 1, 65_000)
    assert (made.flow_ma, made.room_ma) == ([30_000, 40_000, -5_000], [70_000, 60_000, NO_CAP])
    made.sign = -1
    _fill_in(made, 2, -75_000)
    assert (made.flow_ma, made.room_ma) == ([30_000, 40_000, 5_000], [70_000, 60_000, NO_CAP])


def moments(side_: SimpleNamespace, totals_ma: list[int], dt_ms: int = 1_000) -> list[int | None]:
    """After each step of a second: the total of the moment that is remembered, if one is."""
    seen: list[int | None] = []
    for total_ma in totals_ma:
        side_.total_ma = total_ma
        _keep_steady(side_, dt_ms)
        seen.append(side_.steady.total_ma if side_.steady.valid else None)
    return seen


def windowed(**fields: object) -> SimpleNamespace:
    """A direction at the start of a window of three seconds, in which 1 A is hardly a change."""
    made = side([5, 5], [100_000, 100_000], window_left_ms=3_000, window_low_ma=10_000)
    made.window_high_ma, made.disturbed, made.some_late = 10_000, False, False
    made.coherent_ma = 1_000
    made.bank = SimpleNamespace(coherent_ms=2_000, fresh_ms=3_000, coherent_keep_ms=60_000)
    return SimpleNamespace(**{**vars(made), **fields})


def test_a_window_in_which_the_total_hardly_moved_is_remembered() -> None:
    """At its end, with its lowest total, in time by the millisecond; the next one begins at once."""
    assert moments(windowed(), [10_500, 9_700, 10_000]) == [None, None, 9_700]
    assert moments(windowed(window_left_ms=3_001), [10_000] * 4) == [None, None, None, 10_000]
    assert moments(windowed(), [10_500, 9_500, 10_000]) == [None, None, 9_500]  # 1 A, just
    assert moments(windowed(), [10_501, 9_500, 10_000]) == [None, None, None]
    then = windowed()
    assert moments(then, [9_000, 9_000, 9_500]) == [None, None, 9_000]
    assert (then.window_left_ms, then.window_low_ma, then.window_high_ma) == (3_000, 9_500, 9_500)
    assert moments(then, [9_400, 9_600, 9_900]) == [9_000, 9_000, 9_400]


def test_a_late_report_spoils_the_window() -> None:
    """The moment that is remembered is forgotten at once; the window that was disturbed does not
    count, the next one does."""
    made = windowed()
    made.steady.take(7_000, [3, 4], 60_000)
    made.some_late = True
    assert moments(made, [10_000]) == [None]
    made.some_late = False
    assert moments(made, [10_000] * 5) == [None, None, None, None, 10_000]
