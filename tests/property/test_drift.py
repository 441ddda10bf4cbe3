"""Looking ahead only ever keeps something back, and only where somebody loses current."""

from types import SimpleNamespace

from hypothesis import given
from hypothesis import strategies as st

from aggregator.drift import MOST_PERMILLE, Drift, kept_back_ma

CURRENTS = st.integers(-500_000, 500_000)
PACKS = st.lists(st.tuples(CURRENTS, CURRENTS), min_size=1, max_size=6)


@given(PACKS)
def test_what_is_taken_over_somebody_has_lost(moves: list[tuple[int, int]]) -> None:
    """Never below 0, at most twice what the falling packs lost; where none falls, nothing."""
    drift = Drift(len(moves))
    for moment in (0, 1):
        packs = [SimpleNamespace(index=i, current_ma=moves[i][moment]) for i in range(len(moves))]
        drift.run(10_000, packs)  # type: ignore[arg-type]
    lost_ma = sum(max(0, then_ma - now_ma) for then_ma, now_ma in moves)
    for taken_ma in drift.taken_ma:
        assert 0 <= taken_ma <= 2 * lost_ma


@given(st.integers(0, 1_000_000), st.integers(0, 500_000), st.integers(0, 500))
def test_a_part_of_the_limit_is_kept_back(taken_ma: int, usable_ma: int, margin: int) -> None:
    """Between nothing and a fifth: looking ahead raises no limit, and takes none away whole."""
    kept_ma = kept_back_ma(taken_ma, usable_ma, margin)
    assert 0 <= kept_ma <= usable_ma * MOST_PERMILLE // 1_000
