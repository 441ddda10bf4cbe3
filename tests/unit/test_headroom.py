"""The room left: present total plus the room of the tightest pack, from readings that are good."""

import pytest

from tests.bank import Site


def headroom(site: Site, direction: str) -> tuple[int, str | None]:
    """The headroom cap of one direction and the pack it names."""
    cap = site.caps(direction + "_current")["headroom"]
    return cap.value, cap.pack


def carrying(*currents_ma: int, **settings: object) -> Site:
    """Packs of 100 A each that have just begun to carry these currents, after a minute at rest."""
    names = [f"p{number}" for number in range(len(currents_ma))]
    site = Site(*names, **settings).is_ready()
    for name, current_ma in zip(names, currents_ma, strict=True):
        site.says(name, current_ma=current_ma)
    site.runs(1)
    return site


@pytest.mark.parametrize(
    ("currents_ma", "room"),
    [
        ((0, 0), (100_000, "p0")),
        ((40_000, 20_000), (120_000, "p0")),
        ((20_000, 40_000), (120_000, "p1")),
        ((97_000, 20_000, 50_000), (170_000, "p0")),
        ((100_000, 20_000), (120_000, "p0")),  # exactly at its limit: no room, so the present total
        ((30_000,), (100_000, "p0")),  # a pack alone may take all of its limit
    ],
)
def test_charge_may_grow_by_the_room_of_the_tightest_pack(
    currents_ma: tuple[int, ...], room: tuple[int, str]
) -> None:
    """Every extra ampere might land in the tightest pack, so that is all there is room for."""
    assert headroom(carrying(*currents_ma), "charge") == room


def test_headroom_is_an_absolute_total() -> None:
    """The same readings give the same total, whatever the limit was before."""
    site = carrying(40_000, 20_000)
    low = headroom(site, "charge")
    site.asks("cap_charge_current", value=5_000)
    site.runs(5)
    assert headroom(site, "charge") == low


def test_a_pack_with_an_open_path_has_no_row() -> None:
    """What cannot flow cannot overload: the row of an open pack does not bind."""
    site = carrying(40_000, 0)
    site.says("p1", charge_path_closed=False, charge_current_limit_ma=1_000)
    site.runs(1)
    assert headroom(site, "charge") == (100_000, "p0")


@pytest.mark.parametrize(("count", "total_ma"), [(1, 100_000), (2, 125_000), (4, 175_000)])
def test_discharge_is_open_beforehand(count: int, total_ma: int) -> None:
    """Loads step without asking: at rest the assumed ratio of 4 widens the room to 1 + (n-1)/4."""
    site = carrying(*[0] * count)
    assert headroom(site, "discharge")[0] == total_ma


def test_only_packs_with_a_path_share_the_room() -> None:
    """Of three packs one is open: the room is widened as for two."""
    site = carrying(0, 0, 0)
    site.says("p2", discharge_path_closed=False)
    site.runs(60)
    assert headroom(site, "discharge")[0] == 125_000


def test_discharge_grows_from_a_steady_reading() -> None:
    """From 40 A each, held steady, 60 A of room count 1.25-fold on top of the 80 A that flow."""
    site = carrying(-40_000, -40_000)
    site.runs(150)
    assert headroom(site, "discharge")[0] == 155_000


@pytest.mark.parametrize(("limit_ma", "room_ma"), [(80_000, 40_000), (90_000, 50_000)])
def test_a_steady_reading_counts_with_the_limit_of_now(limit_ma: int, room_ma: int) -> None:
    """The currents of then leave the room that the packs' limits of now allow, here 1.25-fold."""
    site = Site("oak", "fir").is_ready()
    site.says(current_ma=-40_000)
    site.runs(60)
    site.says("fir", discharge_current_limit_ma=70_000)
    site.runs(1)
    site.says("fir", discharge_current_limit_ma=limit_ma)
    site.runs(1)
    assert headroom(site, "discharge") == (80_000 + room_ma * 5 // 4, "fir")


def test_a_steady_reading_at_which_a_pack_was_above_its_limit_of_now_is_no_reading() -> None:
    """From 40 A each a limit falls to 38 A, and the total to 40 A: only what flows now counts. Of the
    steady 80 A less 2 A a pack with a small share would still take more than 38 A."""
    site = Site("oak", "fir").is_ready()
    site.says(current_ma=-40_000)
    site.runs(60)
    site.says(current_ma=-20_000)
    site.says("fir", discharge_current_limit_ma=38_000)
    site.runs(1)
    assert headroom(site, "discharge") == (40_000 + 18_000, "fir")


def unsteady(site: Site, seconds: int, low_ma: int, high_ma: int) -> None:
    """Every pack's current swings, so that the total never stands still for 10 s."""
    for turn in range(seconds // 5):
        site.says(current_ma=high_ma if turn % 2 else low_ma)
        site.runs(5)


def test_an_unsteady_total_leaves_the_bare_room() -> None:
    """A steady reading is kept for 120 s; without a new one discharge has the bare room left."""
    site = carrying(0, 0)
    unsteady(site, 100, -9_000, -1_000)
    assert headroom(site, "discharge")[0] == 125_000
    unsteady(site, 40, -9_000, -1_000)
    assert headroom(site, "discharge")[0] == 2_000 + 99_000


def test_steady_means_within_3_percent_of_the_bank() -> None:
    """Two packs sized 100 A may swing by 6 A in all and be steady, but not by 6.4 A."""
    for swing_ma, widened in ((3_000, True), (3_200, False)):
        site = carrying(0, 0)
        unsteady(site, 300, -40_000 - swing_ma, -40_000)
        bare_ma = 80_000 + 60_000
        assert (headroom(site, "discharge")[0] > bare_ma) is widened


def test_a_steady_reading_counts_with_its_lowest_total() -> None:
    """An old reading of a slow board may belong to any total of those seconds: to the lowest."""
    site = carrying(-40_000, -40_000)
    site.runs(8)
    for _ in range(30):  # two seconds of every ten 5 A lower
        site.says("p0", current_ma=-35_000)
        site.runs(2)
        site.says("p0", current_ma=-40_000)
        site.runs(8)
    assert headroom(site, "discharge")[0] == 75_000 + 60_000 * 5 // 4


def test_a_steady_window_is_as_long_as_a_reading_may_be_old() -> None:
    """With fresh_ms = 20 s a total that moves every 15 s is never steady, with 10 s it sometimes is."""
    for fresh_ms, widened in ((20_000, False), (10_000, True)):
        site = carrying(-40_000, -40_000, fresh_ms=fresh_ms, unheard_ms=60_000)
        for turn in range(20):
            site.says(current_ma=-30_000 if turn % 2 else -40_000)
            site.runs(15)
        assert (headroom(site, "discharge")[0] > 60_000 + 70_000) is widened


def test_a_late_pack_spoils_the_steady_reading() -> None:
    """What a late pack last said must not be paired with a total of today."""
    site = carrying(-10_000, -10_000)
    site.runs(30)
    assert headroom(site, "discharge")[0] == 20_000 + 90_000 * 5 // 4
    site.falls_silent("p1")
    site.runs(20)
    site.speaks("p1")
    site.says("p1", current_ma=-80_000)
    site.runs(1)
    assert headroom(site, "discharge") == (90_000 + 20_000, "p1")


def charging_past_an_open_path() -> Site:
    """p0 may give 50 A and takes all of 100 A; p1 may give 200 A, and its charge path is open. With
    both paths closed p0 has four fifths of the conductance, and nothing circulates."""
    site = Site("p0", "p1").is_ready()
    site.says("p0", current_ma=100_000, discharge_current_limit_ma=50_000)
    site.says("p1", charge_path_closed=False, discharge_current_limit_ma=200_000)
    site.runs(1)
    return site


def test_a_path_that_is_open_the_other_way_is_not_counted_on() -> None:
    """From 100 A into p0 alone to 50 A out of p0 p1 need not help at all: it begins when it can."""
    site = charging_past_an_open_path()
    site.runs(60)
    assert headroom(site, "discharge") == (50_000, "p0")


def test_a_path_that_closes_the_other_way_spoils_the_steady_reading() -> None:
    """What p0 carried alone says nothing about the room that it has beside p1."""
    site = charging_past_an_open_path()
    site.runs(60)
    site.says("p0", current_ma=80_000)
    site.says("p1", current_ma=20_000, charge_path_closed=True)
    site.runs(1)
    assert headroom(site, "discharge") == (50_000 * 7 // 10, "p0")  # by the quiet moment
    site.runs(30)
    assert headroom(site, "discharge") == (-100_000 + (50_000 + 80_000) * 5 // 4, "p0")
