"""Learned shares: which part of any extra current each pack takes, with bounds, or nothing."""

import random

import pytest

from aggregator import BusReport
from aggregator.shares import BLOCK_MS, FULL, Shares, ratio, root
from tests.bank import Site

SPLIT = {"oak": 500, "elm": 300, "fir": 200}


def carry(site: Site, total_ma: int, split: dict[str, int] = SPLIT) -> None:
    """From now on the packs carry this total, split by permille."""
    for pack, permille in split.items():
        site.says(pack, current_ma=total_ma * permille // 1_000)


def swing(site: Site, minutes: int, split: dict[str, int] = SPLIT, high_ma: int = 60_000) -> Site:
    """The total goes up or down every minute, and the packs split it."""
    for minute in range(minutes):
        carry(site, high_ma if minute % 2 else 20_000, split)
        site.runs(60, every_s=5)
    return site


def learned(**settings: object) -> Site:
    """A bank that has learned SPLIT."""
    site = swing(Site(*SPLIT, **settings).is_ready(), 14)
    assert site.row("oak").share_permille is not None
    return site


def shares_of(site: Site) -> dict[str, int | None]:
    """The shares that the view shows."""
    return {row.pack: row.share_permille for row in site.view.packs}


def test_shares_come_out_as_the_packs_split_the_total() -> None:
    """Half, three tenths and a fifth are learned as such, whatever flows at rest."""
    site = learned()
    for pack, permille in SPLIT.items():
        found = site.row(pack).share_permille
        assert found is not None
        assert abs(found - permille) <= 2


def test_ten_blocks_make_a_share_and_nine_do_not() -> None:
    """The first whole minute is a start; then ten differences are needed."""
    site = swing(Site(*SPLIT).is_ready(), 9)
    assert shares_of(site)["oak"] is None
    assert swing(site, 4).row("oak").share_permille is not None


def test_small_moves_teach_nothing() -> None:
    """A total that moves by 5 A from minute to minute says nothing."""
    site = swing(Site(*SPLIT).is_ready(), 30, high_ma=25_000)
    assert shares_of(site) == {"oak": None, "elm": None, "fir": None}


def test_a_cell_near_its_top_spoils_the_minute() -> None:
    """Above 3400 mV packs re-split by charge, so that nothing is learned there."""
    site = Site(*SPLIT)
    site.says("fir", cell_max_mv=3_401)
    swing(site.is_ready(), 30)
    assert shares_of(site)["oak"] is None
    site.says("fir", cell_max_mv=3_400)
    assert swing(site, 14).row("oak").share_permille is not None


def test_a_minute_without_a_reading_teaches_nothing() -> None:
    """A minute in which a connected pack says nothing is left out, and so is its neighbour."""
    shares = Shares(2)
    for minute in range(30):
        total_ma = 60_000 if minute % 2 else 20_000
        shares.hear(0, total_ma // 2)
        if minute % 2:
            shares.hear(1, total_ma // 2)
        shares.run(BLOCK_MS, [1, 1])
    assert not shares.learned


def test_a_gap_between_steps_spoils_the_minute() -> None:
    """A block of two minutes is no block."""
    shares = Shares(1)
    for minute in range(30):
        shares.hear(0, 60_000 if minute % 2 else 20_000)
        shares.run(2 * BLOCK_MS, [1])
    assert not shares.learned


def test_another_set_of_packs_starts_anew_and_the_old_one_is_taken_up_again() -> None:
    """Shares hold for a set of connected packs; when the same set is back, so are they."""
    site = learned()
    before = shares_of(site)
    site.says("fir", charge_path_closed=False, current_ma=0)
    site.runs(5)
    assert shares_of(site) == {"oak": None, "elm": None, "fir": None}
    site.says("fir", charge_path_closed=True)
    site.runs(5)
    assert shares_of(site) == before


def test_a_silent_pack_changes_the_set() -> None:
    """An unheard pack cannot be regressed on."""
    site = learned()
    site.falls_silent("fir")
    site.runs(40)
    assert shares_of(site)["oak"] is None


def test_a_sensor_with_the_wrong_sign_discards_all_shares() -> None:
    """A share below 0 cannot be: all of them are forgotten, and that is found."""
    site = Site(*SPLIT).is_ready()
    swing(site, 14, {"oak": 500, "elm": 700, "fir": -200})
    site.runs(15)
    assert shares_of(site) == {"oak": None, "elm": None, "fir": None}
    assert ("share_implausible", None) in site.findings()
    swing(site, 16)
    site.runs(15)
    assert ("share_implausible", None) not in site.findings()


@pytest.mark.parametrize(
    ("meter_permille", "learns"), [(1_000, True), (1_050, True), (950, True), (1_250, False)]
)
def test_a_bus_meter_is_a_second_opinion(meter_permille: int, learns: bool) -> None:
    """Where a meter tells the total, shares that sum to less than 90 % of it are discarded."""
    site = Site(*SPLIT).is_ready()
    for minute in range(14):
        total_ma = 60_000 if minute % 2 else 20_000
        carry(site, total_ma)
        for sample in range(12):
            meter = BusReport(minute * 12 + sample, current_ma=total_ma * meter_permille // 1_000)
            assert site.bank.bus(meter, site.now_ms) is None
            site.runs(5, every_s=5)
    site.runs(15)
    assert (site.row("oak").share_permille is not None) is learns
    assert (("share_implausible", None) in site.findings()) is not learns


def test_shares_do_not_touch_the_charge_limit_unless_told() -> None:
    """By default the charge headroom is the same with shares as without."""
    rooms = []
    for site in (learned(), Site(*SPLIT).is_ready()):
        carry(site, 40_000)
        site.runs(130, every_s=5)
        rooms.append(site.caps("charge_current")["headroom"].value)
    assert rooms == [40_000 + 80_000] * 2


@pytest.mark.parametrize(
    ("direction", "sign", "told"),
    [
        ("charge", 1, {"charge_sharing": "learned"}),
        ("charge", 1, {"charger_limits": "output"}),
        ("discharge", -1, {"discharge_sharing": "learned"}),
    ],
)
def test_told_so_a_direction_uses_upper_bounds_of_shares(
    direction: str, sign: int, told: dict[str, str]
) -> None:
    """Learned, and told to use it: total + least of room / upper share, from a steady reading."""
    site = learned(**told)
    carry(site, sign * 40_000)
    site.runs(130, every_s=5)
    headroom = site.caps(direction + "_current")["headroom"].value
    best_ma = 40_000 + 80_000 * 1_000 // 500  # oak, at half, is the tightest
    assert best_ma * 97 // 100 < headroom < best_ma


def test_discharge_trusts_a_quiet_moment_fully_once_shares_are_learned() -> None:
    """The seven tenths are for the time before."""
    site = learned()
    carry(site, 0)
    site.runs(60)
    for turn in range(30):
        carry(site, 60_000 if turn % 2 else 40_000)
        site.runs(5)
    assert site.caps("discharge_current")["headroom"].value == 100_000


def test_a_pack_above_its_limit_backs_off_by_its_lower_share() -> None:
    """20 A too much in a pack of a fifth: the total falls by at least 100 A, not by 20."""
    site = learned()
    carry(site, 150_000)
    site.runs(5)
    site.says("fir", charge_current_limit_ma=10_000)
    site.runs(1)
    headroom = site.caps("charge_current")["headroom"].value
    assert 40_000 < headroom <= 150_000 - 20_000 * 1_000 // 200


def learns(noise_ma: int) -> Shares:
    """Two packs of 60 and 40 percent under a moving total, each with independent noise."""
    shares = Shares(2)
    noise = random.Random(7)
    for _ in range(60):
        total_ma = noise.randrange(20_000, 60_000)
        for pack, permille in ((0, 600), (1, 400)):
            shares.hear(pack, total_ma * permille // 1_000 + round(noise.gauss(0, noise_ma)))
        shares.run(BLOCK_MS, [1, 1])
    assert shares.learned
    return shares


def test_scatter_widens_the_bounds() -> None:
    """Without noise the bounds are 5 permille apart but for rounding, with it they are wider."""
    clean = learns(0)
    assert 5 <= clean.upper_permille[0] - clean.share_permille[0] <= 8
    assert 5 <= clean.share_permille[0] - clean.lower_permille[0] <= 8
    noisy = learns(3_000)
    assert noisy.upper_permille[0] - noisy.share_permille[0] > 10
    for pack, permille in ((0, 600), (1, 400)):
        assert noisy.lower_permille[pack] <= permille <= noisy.upper_permille[pack]


def swings(amps: int) -> Shares:
    """A pack that takes all of a total that swings by so much every minute, for three days."""
    shares = Shares(1)
    for minute in range(4_500):
        shares.hear(0, amps * 1_000 if minute % 2 else 0)
        shares.run(BLOCK_MS, [1])
        assert shares.squares <= FULL + (10 * amps) ** 2
    return shares


def test_old_blocks_fade_before_the_sums_grow_large() -> None:
    """After days of minutes the sums are still small integers, and the shares right."""
    assert swings(200).share_permille == [1_000]


def test_a_large_bank_learns_too() -> None:
    """A bank whose total swings by 400 A a minute learns like any other."""
    assert swings(400).share_permille == [1_000]


def test_ratio_is_the_floored_quotient() -> None:
    """Digit by digit, and yet the same as part * unit // whole, for negative parts too."""
    numbers = random.Random(3)
    for _ in range(2_000):
        part = numbers.randrange(-(1 << 28), 1 << 28)
        whole = numbers.randrange(1, 1 << 28)
        for unit in (1, 1_000, 1_000_000):
            assert ratio(part, whole, unit) == part * unit // whole
            assert type(ratio(part, whole, unit)) is int


def test_root_is_the_floored_square_root() -> None:
    """The largest integer whose square does not exceed it; 0 for anything below 1."""
    for square in [*range(2_000), 10**6 - 1, 10**6, (1 << 30) - 1]:
        assert root(square) ** 2 <= square < (root(square) + 1) ** 2
        assert type(root(square)) is int
    assert root(-5) == 0
