"""The arithmetic of rooms, shares and losses alone, against the same rules spelt out in fractions.

The rules themselves are argued in docs/explanation/headroom.md; here every branch is met, which
whole banks meet rarely: shares that were learned, packs without a path, currents the other way.
"""

from fractions import Fraction
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aggregator.headroom import NO_CAP, _assumed_permille, _back_off, _widest
from aggregator.loss import carried_after_loss_ma
from aggregator.reference import Reference, first_yes

# Where nothing has to be rounded, the whole numbers must be the fractions.
EVEN_MA = st.integers(-20, 20).map(lambda tens: 10_000 * tens)
HARD = settings(max_examples=100)  # quick, and there are many branches
EVEN_SHARES = st.sampled_from([100, 125, 200, 250, 500])


def side(
    flow_ma: list[int], limit_ma: list[int | None], learned: bool = False, **fields: object
) -> SimpleNamespace:
    """One direction as the arithmetic sees it; a limit of None: the pack has no path."""
    limits = [NO_CAP if limit is None else limit for limit in limit_ma]
    rooms = [
        NO_CAP if limit == NO_CAP else limit - flow
        for flow, limit in zip(flow_ma, limits, strict=True)
    ]
    made: dict[str, object] = {
        "flow_ma": flow_ma,
        "limit_ma": limits,
        "room_ma": rooms,
        "total_ma": sum(flow_ma),
        "quiet": Reference(len(flow_ma)),
        "steady": Reference(len(flow_ma)),
        "bank": SimpleNamespace(assumed_resistance_ratio=4),
        "uses_learned": lambda shares: learned,
        "widened": lambda shares: learned,
        "quiet_tenths": lambda shares: 7,
    }
    return SimpleNamespace(**{**made, **fields})


def shares(
    upper: list[int], lower: list[int] | None = None, learned: bool = True
) -> SimpleNamespace:
    """Learned shares; without any, no pack takes less than a hundredth."""
    return SimpleNamespace(
        upper_permille=upper,
        lower_permille=lower or [0] * len(upper),
        learned=learned,
        least_permille=lambda count, ratio: 10,
    )


@st.composite
def banks(draw: st.DrawFn) -> tuple[list[int], list[int | None], list[int]]:
    """Currents, limits and shares of two to five packs."""
    count = draw(st.integers(2, 5))
    flows = draw(st.lists(EVEN_MA, min_size=count, max_size=count))
    limit = st.one_of(st.none(), st.sampled_from([0, 50_000, 100_000, 200_000]))
    limits = draw(st.lists(limit, min_size=count, max_size=count))
    return flows, limits, draw(st.lists(EVEN_SHARES, min_size=count, max_size=count))


@HARD
@given(banks(), st.booleans())
def test_the_rest_after_the_worst_loss(
    bank: tuple[list[int], list[int | None], list[int]], learned: bool
) -> None:
    """Whichever pack opens, its current is gone and the rest grow by the room of their tightest."""
    flows, limits, upper = bank
    carried = []
    connected = [i for i, limit in enumerate(limits) if limit is not None]
    for lost in connected:
        rooms = []
        for i in connected:
            room = Fraction((limits[i] or 0) - flows[i])
            if learned and room > 0:
                room = room * 1_000 / upper[i] * (1_000 - upper[lost]) / 1_000
            rooms += [room] if i != lost else []
        carried += [sum(flows) - flows[lost] + min(rooms)] if rooms else []
    expected = max(0, min(carried)) if carried else NO_CAP
    assert carried_after_loss_ma(side(flows, limits, learned), shares(upper)) == expected


@HARD
@given(
    st.lists(st.integers(0, 99_999), min_size=2, max_size=4),
    st.lists(st.integers(100, 999), min_size=4, max_size=4),
)
def test_a_loss_is_rounded_down(flows: list[int], upper: list[int]) -> None:
    """Never more than the fraction, and less by no more than its rounding explains."""
    count = len(flows)
    exact = min(
        sum(flows)
        - flows[lost]
        + min(
            Fraction((100_000 - flows[i]) * (1_000 - upper[lost]), upper[i])
            for i in range(count)
            if i != lost
        )
        for lost in range(count)
    )
    got = carried_after_loss_ma(side(flows, [100_000] * count, True), shares(upper))
    assert got <= exact
    assert got >= exact - 1_200 - exact / 100


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
        quiet.take(quiet_tens * 10_000, [0] * len(flows), 1)
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
    assert _back_off(made, shares([1] * len(flows), lower, learned)) == expected


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
    moment.take(sum(flows), flows, 1)
    rooms = [(i, limit - flows[i]) for i, limit in enumerate(limits) if limit is not None]
    known = min([Fraction(room * 1_000, upper[i]) for i, room in rooms], default=NO_CAP)
    unknown = min([Fraction(room * assumed, 1_000) for _, room in rooms], default=NO_CAP)
    columns = side(flows, limits).limit_ma
    assert moment.safe_total_ma(columns, upper, 1) == sum(flows) + known
    assert moment.safe_total_ma(columns, None, assumed) == sum(flows) + unknown


def test_a_remembered_moment_is_forgotten() -> None:
    """When its time is up, and not a millisecond before; it is kept as it was, not as it becomes."""
    moment = Reference(2)
    assert (moment.valid, moment.total_ma, moment.flow_ma, moment.left_ms) == (False, 0, [0, 0], 0)
    flows = [3, 4]
    moment.take(7, flows, 1_000)
    flows[0] = 9
    assert (moment.valid, moment.total_ma, moment.flow_ma) == (True, 7, [3, 4])
    moment.run_down(400)
    moment.run_down(599)
    assert (moment.valid, moment.left_ms) == (True, 1)
    moment.run_down(1)
    assert (moment.valid, moment.left_ms) == (False, 0)
    moment.take(7, flows, 10)
    moment.run_down(500)
    assert (moment.valid, moment.left_ms) == (False, 0)


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
        (2_000, 100, 77),  # nothing of it, but no pack takes less than the least
        (2_000, 0, 77),
    ],
)
def test_a_share_since_then(total_ma: int, flow_ma: int, share: int) -> None:
    """What the pack took of what the total grew."""
    moment = Reference(2)
    moment.take(1_000, [900, 100], 1)
    assert moment.share_permille(1, total_ma, flow_ma, 77) == share


def test_the_first_yes() -> None:
    """-1 where nobody says it."""
    assert first_yes(bytearray([0, 0, 1, 1])) == 2
    assert first_yes(bytearray([1])) == 0
    assert first_yes(bytearray([0, 0])) == -1
    assert first_yes(bytearray()) == -1


@pytest.mark.parametrize(("count", "permille"), [(1, 1_000), (2, 1_250), (3, 1_500), (5, 2_000)])
def test_the_assumed_split(count: int, permille: int) -> None:
    """One pack and a quarter of each other one, at the ratio of four; packs without a path do not
    count."""
    limits: list[int | None] = [10_000] * count
    assert _assumed_permille(side([0] * count, limits)) == permille
    assert _assumed_permille(side([0] * (count + 2), [None, *limits, None])) == permille


def test_the_widest_of_the_good_readings() -> None:
    """Now; the quiet moment while the total flows the other way; the steady one if it may be used."""
    nothing = shares([1_000, 1_000], learned=False)
    made = side([-10_000, -10_000], [100_000, 100_000])
    assert _widest(made, 110_000, nothing) == 90_000
    made.quiet.take(0, [0, 0], 1)
    assert _widest(made, 110_000, nothing) == 90_000  # 7 tenths of 100 A
    assert _widest(made, 30_000, nothing) == 70_000
    made.total_ma = 0
    assert _widest(made, 30_000, nothing) == 30_000  # it does not flow the other way
    made.total_ma = -1
    assert _widest(made, 30_000, nothing) == 70_000
    halves = shares([500, 500])
    steady = side([20_000, 20_000], [100_000, 100_000], learned=True)
    assert _widest(steady, 80_000, halves) == 120_000
    steady.steady.take(40_000, [20_000, 20_000], 1)
    assert _widest(steady, 80_000, halves) == 200_000
    assert _widest(steady, 170_000, halves) == 210_000
    steady.uses_learned = lambda _: False  # widened, for loads share the bus: the assumed split
    assert _widest(steady, 80_000, halves) == 140_000
    steady.widened = lambda _: False
    assert _widest(steady, 80_000, halves) == 120_000
