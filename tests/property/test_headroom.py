"""No pack above its own limit: headroom against banks it knows nothing about."""

from hypothesis import assume, event, given
from hypothesis import strategies as st

from aggregator import Request
from tests.property.linear_bank import LinearBank, Loop, linear_banks

SECOND_MS = 1_000


@given(
    linear_banks(),
    # What sun and loads would make of the total if nothing limited it, and for how long.
    st.lists(
        st.tuples(st.integers(-150_000, 1_500_000), st.integers(1, 25)), min_size=1, max_size=8
    ),
    st.lists(st.integers(0, 12), min_size=1, max_size=7),  # ages of readings, in steps
    st.lists(st.integers(0, 20), min_size=1, max_size=5),  # age of the limit the charger obeys
    st.booleans(),  # do adapters know the age of a reading?
    st.sampled_from([0, 50, 200]),
)
def test_no_pack_above_a_fixed_limit(truth, weather, ages, delays, told, quiet_permille):
    """Charge, worst case: with fixed limits, for any shares and offsets, with readings of any age
    (each pack's its own) and a charger that obeys any of the last limits, no pack ever carries
    more than its own limit, to the milliampere and without a margin."""
    loop = Loop(truth, quiet_permille=quiet_permille, unheard_ms=60_000)
    totals = [0]
    limits = [0]
    seen = [0] * len(truth.names)  # the moment of each pack's last reading
    most_ma = truth.most_ma()
    wish = [ma for ma, seconds in weather for _ in range(seconds)]
    for turn, wish_ma in enumerate(wish, start=1):
        loop.now_ms += SECOND_MS
        loop.sample += 1
        for i in range(len(truth.names)):
            age = ages[(turn * 3 + i * 5) % len(ages)]
            seen[i] = max(seen[i], len(totals) - 1 - age)
            age_ms = (len(totals) - 1 - seen[i]) * SECOND_MS if told else 0
            loop.report(i, totals[seen[i]], age_ms)
        limits.append(loop.core.step(loop.now_ms).charge_current_limit_ma)
        obeyed = limits[max(0, len(limits) - 1 - delays[turn % len(delays)])]
        totals.append(min(wish_ma, obeyed))
        for i, limit_ma in enumerate(truth.limits_ma):
            assert not truth.over(i, totals[-1], limit_ma), (turn, i, totals[-1], most_ma)
    event("came to 90 % of the true maximum: " + str(max(totals) >= most_ma * 9 // 10))


@given(linear_banks(ratio=4), st.integers(0, 100))
def test_the_true_maximum_is_reached(truth, margin_permille):
    """Up to 6 packs with resistances within 1:4 reach 99 % of the true maximum, less the margin,
    within 120 loop turns of the first permission, when nothing but the limit limits the charger."""
    most_ma = truth.most_ma(1_000 - margin_permille)
    assume(most_ma >= 1_000)
    loop = Loop(truth, margin_permille=margin_permille, ramp_permille_per_s=50)
    total_ma = 0
    for _ in range(121):  # the first one brings the permission
        total_ma = loop.turn(total_ma)
    # Readings and room are whole mA, so the last few are not seen: one a pack, over its share.
    unseen_ma = len(truth.names) * truth.whole // min(truth.weights)
    assert (total_ma + unseen_ma) * 100 >= most_ma * 99
    assert total_ma <= most_ma


@given(linear_banks(ratio=4), st.integers(2, 60), st.data(), st.integers(0, 15), st.booleans())
def test_a_fallen_limit_is_kept_after_one_turn(truth, turns, data, reaction, slews):
    """Where the total has grown from a quiet one (5 % of the ceilings), and resistances are within
    the assumed ratio: when limits fall, one loop turn plus the charger's reaction later every pack
    is within its new limit, unless it carries more at no total (there is no less than that)."""
    loop = Loop(truth)
    quiet_most_ma = sum(truth.limits_ma) // 1_000 * 50
    quiet_ma = total_ma = 0
    for _ in range(turns):
        quiet_ma = total_ma if total_ma <= quiet_most_ma else quiet_ma
        total_ma = loop.turn(total_ma)
    assume(total_ma > quiet_most_ma)
    truth.limits_ma = [data.draw(st.integers(0, limit_ma)) for limit_ma in truth.limits_ma]
    allowed = []
    for i, own_ma in enumerate(truth.limits_ma):
        taken_ma = truth.reading_ma(i, total_ma) - truth.reading_ma(i, quiet_ma)
        excess_ma = max(0, truth.reading_ma(i, total_ma) - own_ma)
        # Readings are whole mA, so the share seen since the quiet moment errs by 1 in `taken_ma`.
        rounding_ma = 2 + 2 * excess_ma // max(1, taken_ma)
        allowed.append(max(own_ma, truth.offsets_ma[i]) + rounding_ma)
    start_ma = total_ma
    limit_ma = loop.turn(total_ma)  # the loop turn
    for moment in range(reaction):  # the charger's reaction: late, or slowly
        if slews:
            total_ma = start_ma + (limit_ma - start_ma) * moment // reaction
        limit_ma = loop.turn(total_ma)
    for _ in range(30):
        total_ma = limit_ma
        for i, allowed_ma in enumerate(allowed):
            assert not truth.over(i, total_ma, allowed_ma), i
        limit_ma = loop.turn(total_ma)


@given(linear_banks(), st.data(), st.integers(20_000, 400_000))
def test_a_fallen_limit_is_approached_where_nothing_is_known(truth, data, start_ma):
    """Where no quiet total was seen and no shares are learned, each loop turn leaves of a pack's
    excess at most the part (1 - s_i), and at most the part c_i / I_i (nothing if c_i <= 0)."""
    loop = Loop(truth, quiet_permille=0)
    total_ma = min(start_ma, truth.most_ma())
    assume(total_ma > 1_000)
    for _ in range(3):
        loop.turn(total_ma)
    truth.limits_ma = [data.draw(st.integers(0, limit_ma)) for limit_ma in truth.limits_ma]
    for _ in range(60):
        after_ma = min(total_ma, loop.turn(total_ma))
        for i, own_ma in enumerate(truth.limits_ma):
            flow_ma = truth.reading_ma(i, total_ma)
            excess_ma = flow_ma - own_ma
            if excess_ma <= 0:
                continue
            left_ma = truth.reading_ma(i, after_ma) - own_ma
            by_share_ma = excess_ma - excess_ma * truth.weights[i] // truth.whole
            if after_ma > 0:
                assert left_ma <= by_share_ma + 1
                assert left_ma <= max(0, truth.offsets_ma[i]) * excess_ma // flow_ma + 1
        total_ma = after_ma


@given(
    linear_banks(least=3, ratio=4),
    st.lists(st.integers(-100, 100), min_size=1, max_size=3),
    st.booleans(),
)
def test_a_pack_that_joins_is_counted_from_its_first_word(truth, percents, returns):
    """A pack that the owner had removed is connected again and takes or gives what its voltage makes
    it: from the step after its first report on, both limits are safe totals for the new bank, or 0,
    while every pack is within its own limit; readings from before it joined count no more."""
    last = len(truth.names) - 1
    offsets = [offset_ma + truth.offsets_ma[last] // last for offset_ma in truth.offsets_ma[:last]]
    offsets[0] -= sum(offsets)
    without = LinearBank(truth.weights[:last], offsets, truth.limits_ma[:last])
    loop = Loop(truth, path_settle_ms=30_000)
    loop.truth = without
    loop.turn(0)
    assert (
        loop.core.request(Request("declare_removed", pack=truth.names[last]), loop.now_ms) is None
    )
    total_ma = 0
    for percent in [0, *percents]:
        total_ma = without.most_ma() * percent // 100
        for _ in range(20):
            loop.turn(total_ma)
    if returns:
        loop.core.request(Request("declare_returned", pack=truth.names[last]), loop.now_ms)
    loop.truth = truth
    charge_ma = discharge_ma = 0
    for _ in range(60):
        flows = [truth.reading_ma(i, total_ma) for i in range(last + 1)]
        limits = truth.limits_ma
        assume(all(-own_ma <= flow <= own_ma for flow, own_ma in zip(flows, limits, strict=True)))
        charge_ma = loop.turn(total_ma)
        discharge_ma = loop.core.step(loop.now_ms).discharge_current_limit_ma
        for i, own_ma in enumerate(limits):
            assert charge_ma == 0 or not truth.over(i, charge_ma, own_ma)
            assert discharge_ma == 0 or truth.over(i, -discharge_ma, -own_ma - 2)
