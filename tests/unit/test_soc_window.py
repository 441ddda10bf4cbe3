"""The owner's daily window: charge no further than, discharge no further than, and full at times."""

from aggregator import PackSettings
from tests.bank import Site, in_absorption


def at(soc_permille: int | None, site: Site) -> tuple[bool, bool]:
    """May the bank charge, may it discharge, once both packs say this charge?"""
    site.says(soc_permille=soc_permille)
    view = site.runs(40)
    return view.charge_allowed, view.discharge_allowed


def test_the_top_ends_charging_and_lets_go_2_percent_below() -> None:
    """At 80 % charging stops; at 78 % it may go on, not before."""
    site = Site("oak", "fir")
    site.asks("top_soc_permille", value=800)
    assert at(799, site) == (True, True)
    assert at(800, site) == (False, True)
    assert site.binding("charge_current") == ("owner_soc", None)
    assert at(781, site) == (False, True)
    assert at(780, site) == (True, True)
    assert at(799, site) == (True, True)


def test_the_reserve_ends_discharge_and_lets_go_2_percent_above() -> None:
    """At 30 % discharge stops; at 32 % it may go on, not before."""
    site = Site("oak", "fir")
    site.asks("reserve_soc_permille", value=300)
    assert at(301, site) == (True, True)
    assert at(300, site) == (True, False)
    assert site.binding("discharge_current") == ("owner_soc", None)
    assert at(319, site) == (True, False)
    assert at(320, site) == (True, True)


def test_the_strictest_window_wins() -> None:
    """The lowest top and the highest reserve."""
    site = Site("oak", "fir")
    for value, source in ((900, "a"), (700, "b"), (800, "c")):
        site.asks("top_soc_permille", value=value, source=source)
        site.asks("reserve_soc_permille", value=1_000 - value, source=source)
    assert at(700, site) == (False, True)
    assert at(300, site) == (True, False)


def test_a_laxer_window_starts_afresh() -> None:
    """Once the stricter wish runs out, its hysteresis does not linger in the laxer one."""
    site = Site("oak", "fir")
    site.asks("top_soc_permille", value=900, source="a")
    site.asks("top_soc_permille", value=950, source="b")
    assert at(935, site) == (False, True)
    site.asks("clear", field="top_soc_permille", source="a")
    assert at(935, site) == (True, True)


def test_an_unknown_charge_does_not_bind() -> None:
    """Where nobody says a charge, a window of charge has nothing to hold on to."""
    site = Site("oak", "fir")
    site.asks("top_soc_permille", value=100)
    site.asks("reserve_soc_permille", value=900)
    assert at(None, site) == (True, True)


def test_silence_does_not_open_the_window() -> None:
    """A silent pack counts with what it last said."""
    granted = PackSettings("fir", capacity_mah=200_000, unheard_charge_current_ma=50_000)
    site = Site("oak", granted)
    site.asks("top_soc_permille", value=800)
    site.says("oak", soc_permille=700)
    site.says("fir", soc_permille=900)
    site.runs(60)
    assert site.binding("charge_current") == ("owner_soc", None)
    site.falls_silent("fir")
    site.runs(60)
    assert site.binding("charge_current") == ("owner_soc", None)


def test_a_window_is_no_denial() -> None:
    """The stage of the day goes on: full enough is not forbidden."""
    site = Site("oak", "fir")
    site.asks("top_soc_permille", value=400)
    site.runs(100)
    assert site.view.charge_allowed is False
    assert site.view.stage == "bulk"


def test_a_full_charge_every_few_days_makes_the_top_wait() -> None:
    """Never full yet: the top waits; full: it binds; two days later it waits again."""
    site = in_absorption()
    site.asks("top_soc_permille", value=400)
    site.asks("full_charge_every_days", value=2)
    site.says(cell_max_mv=3_395)
    site.runs(5)
    assert site.view.stage == "absorption"
    assert site.view.charge_allowed is True
    site.runs(60)
    assert site.view.stage == "float"
    site.runs(5)
    assert site.binding("charge_current") == ("owner_soc", None)
    site.says(voltage_mv=53_000)
    site.runs(172_000, every_s=40)
    assert site.view.charge_allowed is False
    site.runs(1_000, every_s=40)
    assert site.view.charge_allowed is True
