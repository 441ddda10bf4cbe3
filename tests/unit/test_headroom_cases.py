"""Four of the five cases in which the bare formula `total + room of the tightest` is not enough.

The third, a pack that refuses, is in test_refusals.py.
"""

import pytest

from aggregator import PackSettings
from tests.bank import Site


def headroom(site: Site, direction: str = "charge") -> int:
    """The headroom cap of one direction [mA]."""
    return site.caps(direction + "_current")["headroom"].value


def sways(site: Site, seconds: int, *currents_ma: tuple[int, int]) -> None:
    """The packs' currents go up and down every 5 s, so that no total is steady."""
    for turn in range(seconds // 5):
        for pack, pair in zip(sorted(site.words), currents_ma, strict=True):
            site.says(pack, current_ma=pair[turn % 2])
        site.runs(5)


# Case 1: a pack is above its limit.


def above(oak_ma: int, fir_ma: int, idle_ma: int, limit_ma: int) -> Site:
    """Both carry current, then oak's limit falls below what it carries."""
    site = Site("oak", "fir")
    site.says("oak", current_ma=idle_ma)
    site.says("fir", current_ma=-idle_ma)
    site.is_ready()
    site.says("oak", current_ma=oak_ma)
    site.says("fir", current_ma=fir_ma)
    site.runs(30)
    site.says("oak", charge_current_limit_ma=limit_ma)
    site.runs(1)
    return site


def test_1_the_total_shrinks_in_proportion() -> None:
    """At 60 A with 30 A allowed, the total of 120 A falls to 60 A; the bare formula says 90 A."""
    site = above(60_000, 60_000, 0, 30_000)
    assert headroom(site) == 60_000
    assert site.view.charge_current_limit_ma == 60_000


def test_1_the_total_falls_by_the_excess_over_the_share() -> None:
    """With 10 A of idle circulation oak takes 50 of every 110 A, so 20 A too much are 44 A off."""
    site = above(60_000, 50_000, 10_000, 40_000)
    assert headroom(site) == 110_000 - 44_053  # 20 000 * 1000 / 454 permille, rounded up
    assert headroom(site) < 110_000 * 40 // 60


def test_1_the_total_shrinks_in_proportion_where_that_is_more() -> None:
    """With 10 A of idle circulation the other way its share is large: 40/60 of 110 A are less."""
    site = above(60_000, 50_000, -10_000, 40_000)
    assert headroom(site) == 73_260  # 110 A times 666 permille
    assert headroom(site) < 110_000 - 20_000 * 110 // 70


def test_1_nothing_rises_for_a_while_after_a_pack_was_above_its_limit() -> None:
    """For settle_ms (15 s) after the last moment above, the limit stays where it is."""
    site = above(60_000, 60_000, 0, 40_000)
    site.says(current_ma=20_000)
    for _ in range(15):
        site.runs(1)
        assert site.view.charge_current_limit_ma <= 60_000 + 20_000
    assert site.binding("charge_current")[0] in ("settling_no_rise", "headroom")
    held_ma = site.view.charge_current_limit_ma
    assert headroom(site) == 40_000 + 20_000
    site.says("oak", charge_current_limit_ma=60_000)
    site.runs(1)
    assert site.view.charge_current_limit_ma == held_ma + 8_000  # 5 % of 60 A + 100 A


def test_1_no_total_helps_a_pack_that_others_fill() -> None:
    """With no total at all and a pack above its limit by circulation, nothing is allowed."""
    site = Site("oak", "fir").is_ready()
    site.says("oak", current_ma=60_000, charge_current_limit_ma=40_000)
    site.says("fir", current_ma=-60_000)
    site.runs(1)
    assert site.view.charge_current_limit_ma == 0
    assert site.binding("charge_current") == ("headroom", "oak")


# Case 2: the total flows the other way.


def test_2_charge_stays_open_while_the_bank_discharges() -> None:
    """A quiet moment, with 0 A in both, still allows 100 A; the bare formula says 40 A."""
    site = Site("oak", "fir").is_ready()
    site.says(current_ma=-60_000)
    site.runs(300)
    assert headroom(site) == 100_000
    assert site.view.charge_current_limit_ma == 100_000


def test_2_the_quiet_moment_counts_with_the_circulation_it_had() -> None:
    """Where oak took 8 A from fir in the quiet moment, it has 8 A less room."""
    site = Site("oak", "fir")
    site.says("oak", current_ma=8_000)
    site.says("fir", current_ma=-8_000)
    site.is_ready()
    site.says(current_ma=-60_000)
    site.runs(1)
    assert headroom(site) == 92_000


def test_2_discharge_counts_seven_tenths_of_it_until_shares_are_learned() -> None:
    """While the sun charges with 110 A, discharge keeps 70 A of the 100 A of a quiet moment."""
    site = Site("oak", "fir").is_ready()
    sways(site, 200, (50_000, 60_000), (50_000, 60_000))
    assert headroom(site, "discharge") == 70_000


@pytest.mark.parametrize(("each_ma", "room_ma"), [(-5_000, 95_000), (-5_200, 80_000)])
def test_2_a_quiet_moment_is_at_most_5_percent_of_the_bank(each_ma: int, room_ma: int) -> None:
    """A total of 10 A is quiet for two packs sized 100 A; after 10.4 A the bare room is left."""
    site = Site("oak", "fir")
    site.says(current_ma=each_ma)
    site.is_ready()
    site.says("oak", current_ma=-20_000)
    site.says("fir", current_ma=0)
    site.runs(1)
    assert headroom(site) == room_ma


def test_2_a_total_that_swings_through_nothing_is_no_quiet_moment() -> None:
    """From +100 A to -100 A: for 5 s oak's reading is from before and fir's from after. When fir's
    limit falls later, their rooms would allow 50 A, and fir carries half of it."""
    site = Site("oak", "fir").is_ready()
    site.says(current_ma=50_000)
    site.runs(30)
    site.says("fir", current_ma=-50_000)
    site.runs(5)
    site.says("oak", current_ma=-50_000)
    site.says("fir", charge_current_limit_ma=10_000)
    site.runs(30)
    assert headroom(site) == 10_000  # by the minute at rest


# Case 4: chargers that limit their own output while loads share the bus.


def stall(charger_limits: str, seconds: int) -> Site:
    """Chargers hold their output at the limit; 100 A of load on the same bus come off it."""
    site = Site("oak", "fir", charger_limits=charger_limits).is_ready()
    for _ in range(seconds):
        left_ma = site.view.charge_current_limit_ma - 100_000
        site.says(current_ma=left_ma // 2)
        site.runs(1)
    return site


def test_4_the_bare_formula_stalls() -> None:
    """With the worst case the loads use the room up: no current is left for the packs."""
    site = stall("battery", 300)
    assert site.view.current_ma is not None
    assert -1_000 <= site.view.current_ma <= 1_000


def test_4_a_stall_is_found() -> None:
    """Ten minutes of a stall are a finding that names the setting."""
    assert ("headroom_stalls", None) in stall("battery", 900).findings()


def test_4_told_so_the_core_uses_the_assumed_split() -> None:
    """With charger_limits = output two packs of ratio 4 settle at 140 A, 40 A of it charge."""
    site = stall("output", 900)
    assert site.view.current_ma is not None
    assert 35_000 <= site.view.current_ma <= 40_000
    assert site.findings() == set()


# Case 5: late and lost readings.


def test_5_a_late_pack_keeps_its_current_and_its_row() -> None:
    """fir's last 60 A stay in the total, and its last room binds, while it is late."""
    site = Site("oak", "fir").is_ready()
    site.says("oak", current_ma=20_000)
    site.says("fir", current_ma=60_000)
    site.runs(1)
    site.falls_silent("fir")
    site.runs(15)
    cap = site.caps("charge_current")["headroom"]
    assert (cap.value, cap.pack) == (80_000 + 40_000, "fir")


@pytest.mark.parametrize(
    ("last_ma", "charge_ma", "discharge_ma"), [(30_000, 50_000, 20_000), (-30_000, 20_000, 50_000)]
)
def test_5_an_unheard_current_counts_on_the_cautious_side(
    last_ma: int, charge_ma: int, discharge_ma: int
) -> None:
    """What an unheard pack took may be gone, what it gave counts: oak's 50 A of room, or 30 less."""
    granted = PackSettings(
        "fir", unheard_charge_current_ma=90_000, unheard_discharge_current_ma=90_000
    )
    site = Site("oak", granted).is_ready()
    site.says("oak", discharge_current_limit_ma=50_000, charge_current_limit_ma=50_000)
    site.says("fir", current_ma=last_ma)
    site.runs(1)
    site.falls_silent("fir")
    site.runs(40)
    assert headroom(site) == charge_ma
    assert headroom(site, "discharge") == discharge_ma
