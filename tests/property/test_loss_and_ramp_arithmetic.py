"""The arithmetic of losses and ramps alone, against the same rules spelt out in fractions."""

from fractions import Fraction
from types import SimpleNamespace

from hypothesis import given
from hypothesis import strategies as st

from aggregator.loss import carried_after_loss_ma
from aggregator.ramp import Limit
from aggregator.reference import NO_CAP
from tests.property.bare_side import HARD, banks, shares, side


def coherent(made: SimpleNamespace) -> SimpleNamespace:
    """The same direction, whose total has stood still at these currents."""
    made.steady.take(made.total_ma, made.room_ma, 1)
    return made


@HARD
@given(banks(), st.booleans())
def test_the_rest_after_the_worst_loss(
    bank: tuple[list[int], list[int | None], list[int]], learned: bool
) -> None:
    """Whichever pack opens, its current is gone and the rest grow by the room of their tightest, or
    by what the learned shares make of it, if that is more."""
    flows, limits, upper = bank
    connected = [i for i, limit in enumerate(limits) if limit is not None]
    answers = []
    for stretched in (False, learned):
        carried = []
        for lost in connected:
            rooms = []
            for i in connected:
                room = Fraction((limits[i] or 0) - flows[i])
                if stretched and room > 0:
                    room = room * 1_000 / upper[i] * (1_000 - upper[lost]) / 1_000
                rooms += [room] if i != lost else []
            carried += [sum(flows) - flows[lost] + min(rooms)] if rooms else []
        answers.append(max(0, min(carried)) if carried else NO_CAP)
    above = any(flows[i] > (limits[i] or 0) for i in connected)  # then nothing may be stretched
    expected = answers[0] if above else max(answers)
    made = side(flows, limits, learned)
    assert carried_after_loss_ma(coherent(made), shares(upper)) == expected


@HARD
@given(
    st.lists(st.integers(0, 99_999), min_size=2, max_size=4),
    st.lists(st.integers(100, 999), min_size=4, max_size=4),
)
def test_a_loss_is_rounded_down(flows: list[int], upper: list[int]) -> None:
    """Never more than the fraction, and less by no more than its rounding explains."""
    count = len(flows)
    exact = max(
        min(
            sum(flows)
            - flows[lost]
            + min((100_000 - flows[i]) * part(lost, i) for i in range(count) if i != lost)
            for lost in range(count)
        )
        for part in (
            lambda lost, i: Fraction(1_000 - upper[lost], upper[i]),
            lambda lost, i: Fraction(1),
        )
    )
    got = carried_after_loss_ma(coherent(side(flows, [100_000] * count, True)), shares(upper))
    assert type(got) is int
    assert got <= exact
    assert got >= exact - 1_200 - exact / 100


def test_a_share_is_rounded_to_the_safe_side_before_it_divides() -> None:
    """101 permille of a pack are 9900 times a hundredth, not 9901: 9 890 100 of 9 891 089 mA."""
    made = coherent(side([0, 0], [1_000_000, 400_000], learned=True))
    assert carried_after_loss_ma(made, shares([101, 1])) == 9_890_100


@HARD
@given(
    st.integers(0, 5_000),
    st.lists(st.tuples(st.integers(0, 3_000), st.booleans()), max_size=12),
)
def test_a_ramp_pays_out_whole_units_and_keeps_the_rest(
    rate_per_s: int, steps: list[tuple[int, bool]]
) -> None:
    """After any steps a limit that follows has risen by all that was earned, rounded down; while it
    is held it earns nothing."""
    limit = Limit(7, 1)
    earned = 0
    for dt_ms, held in steps:
        before = limit.value
        limit.climb(rate_per_s, dt_ms, held)
        earned += 0 if held else rate_per_s * dt_ms
        assert (limit.previous, limit.ramp_to) == (before, 7 + earned // 1_000)
        assert {type(limit.ramp_to), type(limit.carry)} == {int}
        assert limit.carry == earned % 1_000
        limit.value = limit.ramp_to


def test_the_least_cap_wins_and_only_the_ramp_carries() -> None:
    """At a tie the earlier row is named; what else holds a limit takes its thousandths away."""
    limit = Limit(5, 3)
    assert (limit.value, limit.previous, limit.ramp_to, limit.carry) == (5, 5, 5, 0)
    assert (limit.row, limit.caps) == (0, [NO_CAP] * 3)
    for caps, value, row, carry in (
        ([9, 8, 7], 7, 2, 999),
        ([9, 7, 7], 7, 1, 0),
        ([-3, 7, 7], -3, 0, 0),
    ):
        limit.caps, limit.carry = caps, 999
        limit.settle()
        assert (limit.value, limit.row, limit.carry) == (value, row, carry)
