"""Learned shares and the assumed ratio: what they permit, on coherent readings, is safe too."""

from hypothesis import assume, given
from hypothesis import strategies as st

from tests.property.linear_bank import Loop, linear_banks

TURN_MS = 5_000
TURNS_A_BLOCK = 12  # shares compare means over a minute
FIVE_TURNS = {"nominal_step_ms": TURN_MS}

levels = st.lists(st.integers(5, 100), min_size=14, max_size=20)  # percent of the true maximum


def learn(truth, percents, **settings):
    """A loop that has seen the total move from minute to minute, until shares are learned."""
    loop = Loop(truth, **FIVE_TURNS, **settings)
    most_ma = truth.most_ma()
    assume(most_ma > 50_000)
    limit_ma = 0
    for percent in percents:
        for _ in range(TURNS_A_BLOCK):
            limit_ma = loop.turn(min(most_ma * percent // 100, limit_ma), TURN_MS)
    assume(loop.core._bank.shares.learned)
    return loop, limit_ma


@given(linear_banks(most=4, ratio=8), levels)
def test_learned_shares_bound_the_true_ones(truth, percents):
    """Every pack's true share of the total lies within the learned bounds."""
    loop, _ = learn(truth, percents)
    shares = loop.core._bank.shares
    for i, weight in enumerate(truth.weights):
        assert shares.lower_permille[i] * truth.whole <= weight * 1_000
        assert weight * 1_000 <= shares.upper_permille[i] * truth.whole


@given(
    linear_banks(most=4, ratio=8),
    levels,
    st.lists(st.tuples(st.integers(-50, 150), st.integers(1, 8)), min_size=1, max_size=6),
)
def test_no_pack_above_its_limit_with_learned_shares(truth, percents, weather):
    """charge_sharing = learned, every reading of a turn taken at one total: no pack ever carries
    more than its own limit, whatever sun and loads make of the total below the charge limit."""
    loop, limit_ma = learn(truth, percents, charge_sharing="learned")
    most_ma = truth.most_ma()
    for percent, turns in weather:
        for _ in range(turns):
            total_ma = min(most_ma * percent // 100, limit_ma)
            for i, own_ma in enumerate(truth.limits_ma):
                assert not truth.over(i, total_ma, own_ma), i
            limit_ma = loop.turn(total_ma, TURN_MS)


@given(linear_banks(most=4, ratio=8), levels, st.data(), st.integers(20, 100))
def test_a_fallen_limit_is_kept_after_one_turn_by_learned_shares(truth, percents, data, percent):
    """Where shares are learned, though no quiet total was ever seen: when limits fall, one loop turn
    later every pack is within its new limit, unless it carries more at no total."""
    loop, limit_ma = learn(truth, percents, quiet_permille=0)
    total_ma = min(limit_ma, truth.most_ma() * percent // 100)
    loop.turn(total_ma, TURN_MS)
    assume(total_ma > 0)
    truth.limits_ma = [data.draw(st.integers(0, limit_ma)) for limit_ma in truth.limits_ma]
    for _ in range(10):
        total_ma = loop.turn(total_ma, TURN_MS)
        for i, own_ma in enumerate(truth.limits_ma):
            assert not truth.over(i, total_ma, max(own_ma, truth.offsets_ma[i]) + 1), i


@given(
    linear_banks(most=6, ratio=4),
    st.lists(
        st.tuples(st.integers(0, 150), st.integers(0, 150), st.integers(1, 8)),
        min_size=1,
        max_size=8,
    ),
)
def test_output_chargers_are_safe_when_loads_go(truth, weather):
    """charger_limits = output, real resistances within the assumed ratio: chargers may give the
    limit in all; while loads take a part of it, and at any moment when they let go, no pack carries
    more than its own limit. Readings of a turn are taken at one total."""
    loop = Loop(truth, charger_limits="output", **FIVE_TURNS)
    most_ma = truth.most_ma()
    limit_ma = 0
    for sun, load, turns in weather:
        for _ in range(turns):
            given_ma = min(limit_ma, most_ma * sun // 100)
            for i, own_ma in enumerate(truth.limits_ma):
                assert not truth.over(i, given_ma, own_ma), i  # all of it, were the load to go now
            limit_ma = loop.turn(given_ma - most_ma * load // 100, TURN_MS)


@given(linear_banks(most=6, ratio=4), st.integers(0, 99))
def test_output_chargers_do_not_stall(truth, percent):
    """charger_limits = output: under a load of up to 99 % of the tightest pack's room at no total,
    times 1 + (n - 1) / ratio, the battery comes to be charged, and no stall is found."""
    loop = Loop(truth, charger_limits="output", **FIVE_TURNS)
    room_ma = min(
        own_ma - offset_ma
        for own_ma, offset_ma in zip(truth.limits_ma, truth.offsets_ma, strict=True)
    )
    assume(room_ma > 5_000)
    load_ma = (room_ma * (4 + len(truth.names) - 1) // 4) * percent // 100
    limit_ma = 0
    for _ in range(200):
        limit_ma = loop.turn(limit_ma - load_ma, TURN_MS)
    assert limit_ma > load_ma
    assert not [found for found in loop.core.step(loop.now_ms).findings if "stall" in found.name]
