"""What a silent pack lets the bank do: its grant, never more than it took itself, default nothing."""

import pytest

from aggregator import PackSettings
from tests.bank import Site


def test_an_unheard_pack_binds_with_its_last_limits_even_below_its_grant() -> None:
    """The total is at most the grant, and never more than what the pack itself last took."""
    for last_ma, allowed_ma in ((60_000, 8_000), (5_000, 5_000)):
        site = Site("oak", PackSettings("fir", unheard_charge_current_ma=8_000))
        site.says("fir", charge_current_limit_ma=last_ma)
        site.runs(10)
        site.falls_silent("fir")
        site.runs(100)
        assert site.view.charge_current_limit_ma == allowed_ma
        assert site.binding("charge_current") == ("unheard", "fir")
        assert site.view.stage != "paused"


def test_the_smallest_grant_counts() -> None:
    """With two silent packs the bank does what the smaller grant allows."""
    site = Site(
        "oak",
        PackSettings("elm", unheard_charge_current_ma=9_000),
        PackSettings("fir", unheard_charge_current_ma=8_000, unheard_discharge_current_ma=4_000),
    )
    site.runs(10)
    site.falls_silent("elm", "fir")
    site.runs(100)
    assert site.view.charge_current_limit_ma == 8_000
    assert site.binding("charge_current") == ("unheard", "fir")
    assert site.view.discharge_current_limit_ma == 0
    assert site.binding("discharge_current") == ("unheard", "elm")


def test_a_pack_never_heard_has_no_limits_so_its_grant_is_nothing() -> None:
    """Never heard and no last limits: unknown is 0, whatever the grant."""
    site = Site("oak", PackSettings("fir", unheard_charge_current_ma=8_000))
    site.falls_silent("fir")
    site.runs(100)
    assert site.view.charge_current_limit_ma == 0
    assert site.binding("charge_current") == ("unheard", "fir")


def test_a_silent_pack_that_refused_last_gets_no_grant() -> None:
    """Its last word was no, with its path closed; silence does not turn it into a yes."""
    site = Site("oak", PackSettings("fir", unheard_charge_current_ma=8_000))
    site.says("fir", charge_allowed=False)
    site.runs(10)
    site.falls_silent("fir")
    site.runs(100)
    assert site.view.charge_current_limit_ma == 0


@pytest.mark.parametrize(
    ("last_ma", "granted_ma"), [(40_000, 8_000), (40_001, 0), (None, 0), (-50_000, 8_000)]
)
def test_a_pack_that_falls_silent_above_its_limit_gets_no_grant(
    last_ma: int | None, granted_ma: int
) -> None:
    """It was being brought back, and nobody knows how far that got; at its limit it was fine."""
    granted = PackSettings("fir", capacity_mah=200_000, unheard_charge_current_ma=8_000)
    site = Site("oak", granted)
    site.says("fir", current_ma=last_ma, charge_current_limit_ma=40_000)
    site.runs(10)
    site.falls_silent("fir")
    site.runs(31)
    assert site.caps("charge_current")["unheard"].value == granted_ma
