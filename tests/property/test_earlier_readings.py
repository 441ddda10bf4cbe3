"""Earlier readings: whatever limits and totals have done since, none of them allows too much."""

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from tests.bank import Site

NAMES = ("ash", "elm", "fir")


@given(
    conductances=st.lists(st.integers(10, 40), min_size=3, max_size=3),  # resistances within 1:4
    offsets=st.lists(st.integers(-5_000, 5_000), min_size=2, max_size=2),
    then_ma=st.integers(20_000, 150_000),
    part=st.integers(1, 99),
    limits=st.lists(st.integers(5_000, 100_000), min_size=3, max_size=3),
)
def test_a_fallen_limit_is_kept_by_what_an_earlier_reading_allows(
    conductances: list[int], offsets: list[int], then_ma: int, part: int, limits: list[int]
) -> None:
    """A steady discharge, then limits and the total fall: where every pack is within its limit now,
    the total that is allowed keeps every one of them within it, by the split I_i = s_i I + c_i."""
    shares = [Fraction(one, sum(conductances)) for one in conductances]
    apart = [*offsets, -sum(offsets)]

    def split(total_ma: int) -> list[int]:
        first = [round(s * total_ma + c) for s, c in zip(shares, apart, strict=True)]
        return [*first[:2], total_ma - sum(first[:2])]

    site = Site(*NAMES).is_ready()
    for name, ma in zip(NAMES, split(then_ma), strict=True):
        site.says(name, current_ma=-ma)
    site.runs(60)
    now_ma = split(then_ma * part // 100)
    for name, ma, limit_ma in zip(NAMES, now_ma, limits, strict=True):
        site.says(name, current_ma=-ma, discharge_current_limit_ma=limit_ma)
    site.runs(1)
    if any(ma > limit_ma for ma, limit_ma in zip(now_ma, limits, strict=True)):
        return  # backing off: a case of its own
    safe = min((limit - c) / s for limit, c, s in zip(limits, apart, shares, strict=True))
    # A milliampere of rounding in a current counts as often as its share goes into the whole.
    assert site.view.discharge_current_limit_ma <= max(0, safe) + 2 / min(shares)
