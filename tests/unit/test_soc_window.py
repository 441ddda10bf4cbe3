"""The owner's daily window: charge no further than, discharge no further than, and full at times."""

import pytest

from aggregator import BankSettings, PackSettings
from aggregator.bank import Bank
from aggregator.commands import judge_soc_wishes
from aggregator.pack import LIVE, REMOVED, UNHEARD
from aggregator.requests import FOREVER, Wish
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


def test_a_lower_reserve_starts_afresh() -> None:
    """Likewise for discharge: of 10 % and 5 % the stricter is cleared at 6.5 %."""
    site = Site("oak", "fir")
    site.asks("reserve_soc_permille", value=100, source="a")
    site.asks("reserve_soc_permille", value=50, source="b")
    assert at(65, site) == (True, False)
    site.asks("clear", field="reserve_soc_permille", source="a")
    assert at(65, site) == (True, True)


def test_another_wish_opens_no_window() -> None:
    """At 79 % and at 31 % the windows of 80 % and 30 % stay shut, whatever else is wished or cleared."""
    for kind, limit, first, then in (
        ("top_soc_permille", 800, 800, 790),
        ("reserve_soc_permille", 300, 300, 310),
    ):
        site = Site("oak", "fir")
        site.asks(kind, value=limit)
        at(first, site)
        shut = at(then, site)
        assert shut in ((False, True), (True, False))
        for way in ("charge", "discharge"):
            site.asks(f"cap_{way}_current", value=40_000)
            assert at(then, site) == shut
            site.asks("clear", field=f"cap_{way}_current")
            assert at(then, site) == shut


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


# The numbers themselves, without a step around them.


def judged(*packs: tuple[str, int | None, int | None], **wishes: int) -> tuple[Bank, Bank]:
    """A bank that was free before, and one that was stopped both ways; after the judgement.

    `packs`: presence, charge and capacity of each.
    """
    banks = []
    for stopped in (False, True):
        bank = Bank(BankSettings([PackSettings("p" + str(i)) for i in range(len(packs))]))
        for pack, (presence, soc, capacity_mah) in zip(bank.packs, packs, strict=True):
            pack.presence, pack.soc_permille, pack.capacity_mah = presence, soc, capacity_mah
        for kind, value in wishes.items():
            bank.wishes.keep(Wish(kind, "", value, FOREVER, ""))
        bank.apply_wishes()
        bank.charge.wish_soc = bank.discharge.wish_soc = stopped
        judge_soc_wishes(bank)
        banks.append(bank)
    return banks[0], banks[1]


@pytest.mark.parametrize(
    ("soc", "charge", "discharge"),
    [
        (280, (False, False), (True, True)),
        (300, (False, False), (True, True)),
        (301, (False, False), (False, True)),
        (319, (False, False), (False, True)),
        (320, (False, False), (False, False)),
        (780, (False, False), (False, False)),
        (781, (False, True), (False, False)),
        (799, (False, True), (False, False)),
        (800, (True, True), (False, False)),
        (None, (False, False), (False, False)),
    ],
)
def test_the_window_by_the_permille(
    soc: int | None, charge: tuple[bool, bool], discharge: tuple[bool, bool]
) -> None:
    """Is it stopped, if it was free before and if it was stopped: 300 to 800."""
    banks = judged((LIVE, soc, 1_000), top_soc_permille=800, reserve_soc_permille=300)
    assert [bank.charge.wish_soc for bank in banks] == list(charge)
    assert [bank.discharge.wish_soc for bank in banks] == list(discharge)


def test_each_end_of_the_window_stands_alone() -> None:
    """A top alone stops charging, a reserve alone (1 permille, too) discharge; neither: nothing."""
    for wishes, stops in (
        ({"top_soc_permille": 0}, (True, False)),
        ({"reserve_soc_permille": 1}, (False, True)),
        ({"reserve_soc_permille": 0}, (False, False)),
        ({}, (False, False)),
    ):
        for bank in judged((LIVE, 0, 1_000), **wishes):
            assert (bank.charge.wish_soc, bank.discharge.wish_soc) == stops


@pytest.mark.parametrize(("minutes", "stops"), [(2 * 1_440 - 1, True), (2 * 1_440, False)])
def test_the_top_waits_from_the_very_minute(minutes: int, stops: bool) -> None:
    """Two days after the last full charge; the reserve does not wait."""
    bank, _ = judged((LIVE, 1, 1_000), top_soc_permille=0, reserve_soc_permille=1)
    bank.wishes.keep(Wish("full_charge_every_days", "", 2, FOREVER, ""))
    bank.stages.since_full_minutes = minutes
    judge_soc_wishes(bank)
    assert (bank.charge.wish_soc, bank.discharge.wish_soc) == (stops, True)


@pytest.mark.parametrize(
    ("packs", "soc"),
    [
        ([(LIVE, 1_000, 100_000), (LIVE, 0, 300_000)], 250),
        ([(LIVE, 1_000, 100_000), (UNHEARD, 0, 300_000)], 250),
        ([(LIVE, 1_000, 100_000), (REMOVED, 0, 300_000)], 1_000),
        ([(LIVE, 1_000, 100_000), (LIVE, None, 300_000)], 1_000),
        ([(LIVE, 1_000, 100_000), (LIVE, 0, None)], 1_000),
        ([(LIVE, 501, 1_000), (LIVE, 500, 1_000)], 500),
        ([(LIVE, 700, 100), (LIVE, 100, 199)], 400),
        ([(LIVE, 700, 100)], 700),
        ([(LIVE, 700, 99)], None),
        ([(REMOVED, 700, 1_000)], None),
    ],
)
def test_the_charge_that_is_judged(
    packs: list[tuple[str, int | None, int | None]], soc: int | None
) -> None:
    """Weighted by capacity, rounded down, over the last word of every pack that is not removed."""
    for top in (0,) if soc is None else (soc, min(soc + 1, 1_000)):
        bank, _ = judged(*packs, top_soc_permille=top)
        assert bank.charge.wish_soc is (soc is not None and top <= soc)
