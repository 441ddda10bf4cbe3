"""One direction of a bank as the arithmetic sees it, without the bank: columns and shares."""

from types import SimpleNamespace

from hypothesis import settings
from hypothesis import strategies as st

from aggregator.reference import NO_CAP, Reference

# Where nothing has to be rounded, the whole numbers must be the fractions.
EVEN_MA = st.integers(-20, 20).map(lambda tens: 10_000 * tens)
HARD = settings(max_examples=100)  # quick, and there are many branches
EVEN_SHARES = st.sampled_from([100, 125, 200, 250, 500, 1_000])


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
        "connected": bytearray([limit != NO_CAP for limit in limits]),
        "quiet": Reference(len(flow_ma)),
        "steady": Reference(len(flow_ma)),
        "bank": SimpleNamespace(assumed_resistance_ratio=4),
        "learns": learned,
        "widens": False,
        "way": SimpleNamespace(quiet_tenths=7),
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
