"""Learned shares to the last digit: blocks, sums, bounds, and what is put away."""

import pytest

from aggregator.shares import BLOCK_MS, FULL, Shares

Sums = tuple[int, int, list[int], list[int]]
BOTH = bytearray([1, 1])
BLANK: dict[str, object] = {
    "squares": 0, "blocks": 0, "learned": False, "has_means": False, "broken": True,
    "block_ms": 0, "bus_sum_ma": 0, "bus_readings": 0, "bus_mean": None,
    "products": [0, 0], "own_squares": [0, 0], "sums_ma": [0, 0], "readings": [0, 0],
}  # fmt: skip


def state_of(shares: Shares) -> dict[str, object]:
    """What is under way."""
    return {name: getattr(shares, name) for name in BLANK}


def sums_of(shares: Shares) -> Sums:
    """What has been summed up."""
    return shares.blocks, shares.squares, shares.products, shares.own_squares


def minute(
    shares: Shares,
    *currents_ma: int | None,
    bus_ma: int | None = None,
    connected: bytearray = BOTH,
    ms: int = BLOCK_MS,
) -> None:
    """A block in which each pack, and the bus meter, say this once (None: nothing)."""
    for i, current_ma in enumerate(currents_ma):
        if current_ma is not None:
            shares.hear(i, current_ma)
    if bus_ma is not None:
        shares.hear_bus(bus_ma)
    shares.run(ms, connected)


def warm(*currents_ma: int, **fields: int) -> Shares:
    """Two packs of which the last block is known."""
    shares = Shares(2)
    minute(shares, 0, 0)  # the first one may have seen another set of packs
    minute(shares, *currents_ma or (0, 0), **fields)  # type: ignore[arg-type]
    assert (shares.has_means, shares.blocks) == (True, 0)
    return shares


def test_learning_starts_from_nothing() -> None:
    """No sums, no shares, nothing suspicious, nothing put away."""
    shares = Shares(2)
    assert state_of(shares) == BLANK
    assert (shares.share_permille, shares.lower_permille) == ([0, 0], [0, 0])
    assert (shares.upper_permille, shares.means) == ([0, 0], [0, 0])
    assert (shares.implausible, shares.kept, shares.count) == (False, None, 2)


def test_forgetting_leaves_nothing() -> None:
    """Whatever was under way."""
    shares = warm(6_000, 4_000, bus_ma=10_000)
    minute(shares, 0, 0, bus_ma=0)
    minute(shares, 1_000, 2_000, bus_ma=9_000, ms=BLOCK_MS - 1)
    assert all(
        value != BLANK[name] for name, value in state_of(shares).items() if name != "learned"
    )
    shares.learned = True
    shares.forget()
    assert state_of(shares) == BLANK


def test_two_blocks_make_a_difference() -> None:
    """Products and squares of the differences of means, in 0.1 A; the newest means are kept."""
    shares = warm(1_000, 2_000)
    shares.hear(0, 6_000)
    minute(shares, 8_199, 5_999)  # means 7.0 and 5.9 A: 6.0 and 3.9 A more, 9.9 in all
    assert sums_of(shares) == (1, 99 * 99, [99 * 60, 99 * 39], [60 * 60, 39 * 39])
    assert shares.means == [70, 59]
    numbers = [shares.squares, *shares.products, *shares.own_squares, *shares.means]
    assert {type(number) for number in numbers} == {int}
    minute(shares, 0, 0)
    assert shares.squares == 99 * 99 + 129 * 129
    assert shares.products == [99 * 60 + 129 * 70, 99 * 39 + 129 * 59]
    assert shares.own_squares == [60 * 60 + 70 * 70, 39 * 39 + 59 * 59]
    assert shares.blocks == 2


@pytest.mark.parametrize(("total_ma", "blocks"), [(5_000, 0), (5_100, 1), (-5_000, 0), (-5_100, 1)])
def test_a_difference_counts_above_5_a(total_ma: int, blocks: int) -> None:
    """Either way; the means move on all the same."""
    shares = warm(0, 0)
    minute(shares, total_ma, 0)
    assert shares.blocks == blocks
    assert shares.means == [total_ma // 100, 0]


@pytest.mark.parametrize(
    ("ms", "closed"), [(BLOCK_MS - 1, False), (BLOCK_MS, True), (2 * BLOCK_MS - 1, True)]
)
def test_a_block_is_a_minute_or_nearly_two(ms: int, closed: bool) -> None:
    """Then its sums start over."""
    shares = warm()
    minute(shares, 6_000, 4_000, ms=ms)
    assert shares.blocks == (1 if closed else 0)
    assert shares.block_ms == (0 if closed else ms)
    assert shares.readings == ([0, 0] if closed else [1, 1])
    assert shares.sums_ma == ([0, 0] if closed else [6_000, 4_000])
    minute(shares, ms=BLOCK_MS - ms)
    assert shares.blocks == 1


def test_short_steps_add_up_to_a_block() -> None:
    """Two of half a minute, every time."""
    shares = warm()
    for number in range(1, 6):
        for _ in range(2):
            minute(shares, 6_000 * (number % 2), 4_000 * (number % 2), ms=BLOCK_MS // 2)
        assert (shares.blocks, shares.block_ms) == (number, 0)


def spoilt(shares: Shares) -> None:
    shares.spoil()
    minute(shares, 6_000, 4_000, bus_ma=10_000)


def too_long(shares: Shares) -> None:
    minute(shares, 6_000, 4_000, bus_ma=10_000, ms=2 * BLOCK_MS)


def first_missing(shares: Shares) -> None:
    minute(shares, None, 4_000, bus_ma=10_000)


def last_missing(shares: Shares) -> None:
    minute(shares, 6_000, None, bus_ma=10_000)


@pytest.mark.parametrize("breaks", [spoilt, too_long, first_missing, last_missing])
def test_a_broken_block_takes_its_neighbour_with_it(breaks: object) -> None:
    """Nothing of it counts, the next one is a start, and the one after it counts again."""
    shares = warm(0, 0, bus_ma=0)
    breaks(shares)  # type: ignore[operator]
    assert (shares.blocks, shares.has_means, shares.bus_mean) == (0, False, None)
    assert (shares.broken, shares.readings, shares.sums_ma) == (False, [0, 0], [0, 0])
    assert (shares.bus_readings, shares.bus_sum_ma) == (0, 0)
    minute(shares, 0, 0)
    assert (shares.blocks, shares.has_means) == (0, True)
    minute(shares, 6_000, 4_000)
    assert shares.blocks == 1


@pytest.mark.parametrize("connected", [bytearray([1, 0]), bytearray([0, 1])])
def test_a_pack_that_is_not_connected_need_not_speak(connected: bytearray) -> None:
    """And what it says does not count."""
    i = 0 if connected[0] else 1
    shares = Shares(2)
    said: list[int | None] = [None, None]
    for current_ma in (0, 0, 6_000):
        said[i] = current_ma
        minute(shares, *said, connected=connected)
    assert (shares.blocks, shares.squares, shares.products[i]) == (1, 3_600, 3_600)
    shares.hear(1 - i, 90_000)
    said[i] = 0
    minute(shares, *said, connected=connected)
    assert (shares.blocks, shares.squares, shares.products[1 - i]) == (2, 7_200, 0)
    assert shares.means[1 - i] == 0


def test_a_bus_meter_gives_the_total_where_it_spoke_in_both_blocks() -> None:
    """Its own mean of each block; a block without it makes the packs' sum the total again."""
    shares = warm(0, 0)
    minute(shares, 6_000, 4_000, bus_ma=12_000)
    assert (shares.squares, shares.bus_mean) == (100 * 100, 120)
    shares.hear_bus(500)
    minute(shares, 0, 0, bus_ma=1_698)  # their mean: 1.0 A
    assert (shares.squares, shares.bus_mean) == (100 * 100 + 110 * 110, 10)
    assert type(shares.bus_mean) is int
    assert shares.products == [100 * 60 + 110 * 60, 100 * 40 + 110 * 40]
    minute(shares, 6_000, 4_000)
    assert (shares.squares, shares.bus_mean) == (2 * 100 * 100 + 110 * 110, None)
    minute(shares, 0, 0, bus_ma=7_000)
    assert (shares.squares, shares.bus_mean) == (3 * 100 * 100 + 110 * 110, 70)


@pytest.mark.parametrize(
    ("squares", "before", "after"),
    [
        (FULL - 1, 30, 31),
        (FULL, 30, 16),
        (FULL, 31, 16),
        (FULL, 12, 11),
        (FULL, 10, 11),
        (FULL, 4, 5),
    ],
)
def test_full_sums_are_halved(squares: int, before: int, after: int) -> None:
    """Older blocks fade, and yet as many are left as are needed."""
    shares = warm()
    shares.squares, shares.blocks = squares, before
    shares.products, shares.own_squares = [squares // 2 - 1] * 2, [squares // 4 + 3] * 2
    minute(shares, 5_000, 5_000)
    part = 2 if squares == FULL else 1
    assert shares.blocks == after
    assert shares.squares == squares // part + 100 * 100
    assert shares.products == [(squares // 2 - 1) // part + 100 * 50] * 2
    assert shares.own_squares == [(squares // 4 + 3) // part + 50 * 50] * 2
