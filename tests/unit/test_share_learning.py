"""What becomes of the sums of shares: shares with bounds, or nothing, and what is put away."""

import pytest

from aggregator.shares import LEAST_BLOCKS, Shares

Sums = tuple[int, int, list[int], list[int]]
BOTH = bytearray([1, 1])


def sums_of(shares: Shares) -> Sums:
    """What has been summed up."""
    return shares.blocks, shares.squares, shares.products, shares.own_squares


def taken_up(sums: Sums, connected: bytearray | None = None) -> Shares:
    """Shares that take up these sums with the next step."""
    set_of = bytearray([1] * len(sums[2])) if connected is None else connected
    shares = Shares(len(sums[2]))
    shares.implausible = True
    shares.take_up(*sums, set_of)
    shares.run(0, set_of)
    assert shares.kept is None
    return shares


@pytest.mark.parametrize(("blocks", "learned"), [(LEAST_BLOCKS - 1, False), (LEAST_BLOCKS, True)])
def test_ten_blocks_are_enough(blocks: int, learned: bool) -> None:
    """Nine are not, but they are not lost either."""
    shares = taken_up((blocks, 1_000, [600, 400], [360, 160]))
    assert shares.learned is learned
    assert shares.implausible is not learned
    assert sums_of(shares) == (blocks, 1_000, [600, 400], [360, 160])
    assert shares.share_permille == ([600, 400] if learned else [0, 0])


@pytest.mark.parametrize(
    ("products", "learned"),
    [
        ([1, 999], True),
        ([0, 1_000], False),
        ([-1, 1_001], False),
        ([1_000], True),
        ([1_001], False),
        ([450, 450], True),
        ([450, 449], False),
        ([550, 550], True),
        ([551, 550], False),
    ],
)
def test_shares_that_could_not_be_are_discarded(products: list[int], learned: bool) -> None:
    """Each between 0 and 1, all together within a tenth of 1; else nothing is left of any."""
    shares = taken_up((20, 1_000, products, [0] * len(products)))
    assert (shares.learned, shares.implausible) == (learned, not learned)
    assert shares.products == (products if learned else [0] * len(products))
    if learned:
        assert shares.share_permille == products


@pytest.mark.parametrize(("squares", "learned"), [(0, False), (1, True)])
def test_sums_of_nothing_teach_nothing(squares: int, learned: bool) -> None:
    """There is nothing to divide by."""
    assert taken_up((20, squares, [squares], [squares])).learned is learned


@pytest.mark.parametrize("connected", [bytearray([1, 0, 1]), bytearray([0, 1, 1])])
def test_a_pack_that_is_not_connected_may_take_anything(connected: bytearray) -> None:
    """Its share is 0, and its bounds are as wide as can be."""
    out = connected.index(0)
    products = [600_000, 600_000, 400_000]
    products[out] = 77_000_000
    shares = taken_up((20, 1_000_000, products, [360_000, 360_000, 160_000]), connected)
    assert shares.learned
    for i, share in enumerate((600, 600, 400)):
        found = shares.lower_permille[i], shares.share_permille[i], shares.upper_permille[i]
        assert found == ((0, 0, 1_000) if i == out else (share - 5, share, share + 5))


@pytest.mark.parametrize(
    ("scatter", "bound"),
    [(-50, 5), (0, 5), (39, 5), (40, 6), (89, 6), (90, 9), (1_000, 30), (1_209, 30), (1_210, 33)],
)
def test_bounds_are_three_standard_errors(scatter: int, bound: int) -> None:
    """The residual over ten degrees of freedom, as a part of the squares; at least 5 permille."""
    own = [360_000 + scatter, 161_000]
    shares = taken_up((11, 1_000_000, [600_000, 400_999], own))
    assert shares.share_permille == [600, 400]
    assert (shares.lower_permille[0], shares.upper_permille[0]) == (600 - bound, 600 + bound)
    assert (shares.lower_permille[1], shares.upper_permille[1]) == (370, 430)
    numbers = shares.lower_permille + shares.share_permille + shares.upper_permille
    assert {type(number) for number in numbers} == {int}


def test_bounds_stay_between_0_and_1() -> None:
    """However wide the scatter."""
    for share, lower, upper in ((990, 960, 1_000), (10, 1, 40), (31, 1, 61), (970, 940, 1_000)):
        rest = 1_000 - share
        own = [share * share + 1_000, rest * rest]
        shares = taken_up((11, 1_000_000, [share * 1_000, rest * 1_000], own))
        assert (shares.lower_permille[0], shares.upper_permille[0]) == (lower, upper)


SUMS: Sums = (12, 1_000, [600, 400], [360, 160])


def test_what_was_learned_is_put_away_with_its_set() -> None:
    """And taken up when the same set is back, not before; a copy, whatever happens meanwhile."""
    shares = taken_up(SUMS)
    shares.put_away(BOTH)
    assert (sums_of(shares), shares.learned) == ((0, 0, [0, 0], [0, 0]), False)
    assert shares.kept == (*SUMS, BOTH)
    shares.run(1, bytearray([1, 0]))
    assert (shares.learned, shares.worth_keeping(bytearray([1, 0]))) == (False, (*SUMS, BOTH))
    shares.run(1, BOTH)
    assert (shares.learned, shares.kept, sums_of(shares)) == (True, None, SUMS)
    assert shares.worth_keeping(BOTH) == (*SUMS, BOTH)


def test_what_is_not_learned_is_not_put_away() -> None:
    """What was put away before stays."""
    shares = taken_up(SUMS)
    shares.put_away(BOTH)
    shares.put_away(bytearray([1, 0]))
    assert shares.kept == (*SUMS, BOTH)


def test_what_is_newly_learned_is_worth_more_than_what_was_put_away() -> None:
    """With nothing put away, what is under way is all there is."""
    shares = Shares(2)
    other = bytearray([1, 0])
    assert shares.worth_keeping(BOTH) == (0, 0, [0, 0], [0, 0], BOTH)
    shares.take_up(*SUMS, other)
    shares.run(0, BOTH)
    shares.learned = True
    shares.run(0, other)
    assert shares.kept is not None
    assert shares.worth_keeping(BOTH) == (0, 0, [0, 0], [0, 0], BOTH)


@pytest.mark.parametrize(
    ("count", "ratio", "permille"), [(1, 4, 1_000), (2, 4, 200), (3, 4, 111), (5, 1, 200)]
)
def test_the_least_share_there_can_be(count: int, ratio: int, permille: int) -> None:
    """1 / (1 + (n - 1) * ratio)."""
    assert Shares(2).least_permille(count, ratio) == permille
