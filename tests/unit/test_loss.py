"""What the rest could carry if any one pack opened: survive_pack_loss."""

import pytest

from aggregator.loss import _carried_ma
from aggregator.reference import NO_CAP
from tests.bank import Site
from tests.unit.test_shares import carry, learned


def loss(site: Site, direction: str = "charge") -> int | None:
    """The pack_loss cap of one direction [mA], or None."""
    cap = site.caps(direction + "_current").get("pack_loss")
    return None if cap is None else cap.value


def carrying(*currents_ma: int, **settings: object) -> Site:
    """Packs of 100 A each at these currents, told to survive the loss of any one."""
    names = [f"p{number}" for number in range(len(currents_ma))]
    site = Site(*names, survive_pack_loss="strict", **settings)
    for name, current_ma in zip(names, currents_ma, strict=True):
        site.says(name, current_ma=current_ma)
    site.is_ready()
    return site


@pytest.mark.parametrize(
    ("currents_ma", "total_ma"),
    [
        ((0, 0), 100_000),
        ((50_000, 50_000), 100_000),  # either opens: the other carries 50 and has 50 left
        ((60_000, 30_000), 100_000),  # p1 opens: p0 carries 60 and has 40 left
        ((60_000, 30_000, 20_000), 120_000),  # p0: 50 + 70; p1: 80 + 40; p2: 90 + 40
        ((90_000, 80_000, 70_000), 170_000),  # p0: 150 + 20; p1: 160 + 10; p2: 170 + 10
        ((90_000, -60_000, 0), 40_000),  # p0: -60 + 100; p1: 90 + 10; p2: 30 + 10
    ],
)
def test_the_worst_loss_counts(currents_ma: tuple[int, ...], total_ma: int) -> None:
    """Least over every pack of: what the others carry now, and the least room among them."""
    assert loss(carrying(*currents_ma)) == total_ma


def test_discharge_mirrors_it() -> None:
    """What flows out of the pack that opens must fit into the others."""
    assert loss(carrying(-60_000, -30_000), "discharge") == 100_000


def test_one_pack_alone_has_no_rest() -> None:
    """A bank of one connected pack has no cap of this kind."""
    assert loss(carrying(20_000)) is None


def test_an_open_pack_is_lost_already() -> None:
    """Only packs that carry current can be lost, and only they can take over."""
    site = carrying(30_000, 30_000)
    site.says("p1", charge_path_closed=False, current_ma=0)
    site.runs(1)
    assert loss(site) is None


def test_off_means_no_cap_but_a_finding() -> None:
    """By default the limit does not care; the finding says what would happen."""
    site = Site("p0", "p1").is_ready()
    site.says(current_ma=90_000)
    site.runs(60)
    assert loss(site) is None
    assert ("pack_loss_overloads_rest", None) in site.findings()
    site.says(current_ma=40_000)
    site.runs(30)
    assert ("pack_loss_overloads_rest", None) not in site.findings()


def test_learned_shares_stretch_no_room_of_another_moment() -> None:
    """oak, elm and fir take 50, 30 and 20 %: if elm opens, 140 A are 100 A in oak. While the total
    has grown and oak has not said so yet, its old room is not stretched beside the new total."""
    site = learned(survive_pack_loss="strict", charge_sharing="learned")
    carry(site, 0)
    site.runs(60)
    assert 130_000 < (loss(site) or 0) <= 140_000
    carry(site, 60_000)
    site.says("oak", current_ma=0)
    site.runs(9)
    assert 130_000 < (loss(site) or 0) <= 140_000


def test_the_least_of_both_binds() -> None:
    """At 70 A in all, two packs of 100 A: the rule leaves 100 A where headroom leaves 135 A."""
    site = carrying(35_000, 35_000)
    site.runs(30)
    assert site.view.charge_current_limit_ma == 100_000
    assert site.binding("charge_current") == ("pack_loss", None)


def test_a_room_stretched_without_end_is_still_a_room() -> None:
    """Two packs of huge room and tiny shares carry a number of amperes, not anything at all."""
    rooms_ma = [2_000_000, 2_000_000]
    assert _carried_ma(0, rooms_ma, [2_000_000, 2_000_000], [1, 1]) < NO_CAP
