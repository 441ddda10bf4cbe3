"""The front door: nothing raises after construction, and nobody speaks for a bank that hangs."""

import pytest

from aggregator import Aggregator, BankSettings, PackReport, PackSettings
from tests.bank import HEALTHY, Site

NO_TIMES = (None, "", "0", 0.0, float("nan"), True, False, [], {}, b"0")


def test_the_example_of_the_design() -> None:
    """Construct, accept, step, read: two packs, a wish, and the reason for the limit."""
    site = Site("oak", "fir", margin_permille=30)
    site.says(current_ma=32_000)
    site.is_ready()
    assert site.view.charge_current_limit_ma == 64_000 + 65_000
    site.asks("cap_charge_current", value=75_000, lasts_ms=7_200_000, source="phone")
    assert site.runs(1).charge_current_limit_ma == 75_000
    assert site.binding("charge_current") == ("owner_cap", None)


@pytest.mark.parametrize("now_ms", NO_TIMES, ids=repr)
def test_a_time_that_is_no_integer_is_refused_everywhere(now_ms: object) -> None:
    """accept, bus, request and restore return why; step takes no time; may_speak says no."""
    site = Site("oak").is_ready()
    before = site.view.rejected
    bank = site.bank
    refusal = bank.accept(PackReport("oak", 99, current_ma=5_000), now_ms)  # type: ignore[arg-type]
    assert refusal is not None
    assert refusal.field == "now_ms"
    refusal = bank.restore(bank.snapshot(), now_ms)  # type: ignore[arg-type]
    assert refusal is not None
    assert refusal.field == "now_ms"
    assert bank.may_speak(now_ms) is False  # type: ignore[arg-type]
    view = bank.step(now_ms)  # type: ignore[arg-type]
    assert view.rejected == before + 3
    assert view.charge_current_limit_ma == 100_000
    assert view.current_ma == 0
    assert view.stage_elapsed_ms == site.now_ms


@pytest.mark.parametrize("now_ms", [-1, -(10**30), 10**30, 1 << 30, 1 << 64])
def test_any_integer_is_a_time(now_ms: int) -> None:
    """However large or negative: it is a counter that wraps."""
    site = Site("oak", start_ms=now_ms).is_ready()
    assert site.view.charge_current_limit_ma == 100_000


def test_nobody_speaks_before_somebody_is_heard() -> None:
    """A bank that heard nobody has nothing to say to a charger."""
    site = Site("oak")
    assert site.bank.may_speak(0) is False
    assert site.view.may_speak is False
    site.runs(3)
    assert site.bank.may_speak(site.now_ms) is True
    assert site.view.may_speak is True


def test_nobody_speaks_before_the_first_step() -> None:
    """Reports alone are no limits."""
    bank = Aggregator(BankSettings([PackSettings("oak")], recovery_samples=1))
    bank.accept(PackReport("oak", 1, **HEALTHY), 0)  # type: ignore[arg-type]
    assert bank.may_speak(0) is False
    bank.step(0)
    assert bank.may_speak(0) is True


def test_a_gateway_that_hangs_falls_silent() -> None:
    """Up to fresh_ms after the last step an adapter may send, and not a millisecond longer."""
    site = Site("oak").is_ready()
    last_ms = site.now_ms
    assert site.bank.may_speak(last_ms + 10_000) is True
    assert site.bank.may_speak(last_ms + 10_001) is False
    assert site.bank.may_speak(last_ms - 10_000) is True
    assert site.bank.may_speak(last_ms - 10_001) is False


def test_an_unheard_bank_falls_silent_and_a_late_one_does_not() -> None:
    """While readings are late the last limits are still true: they have only fallen."""
    site = Site("oak").is_ready()
    site.falls_silent("oak")
    site.runs(15)
    assert (site.row("oak").presence, site.view.may_speak) == ("late", True)
    site.runs(20)
    assert (site.row("oak").presence, site.view.may_speak) == ("unheard", False)
    assert site.bank.may_speak(site.now_ms) is False


def test_one_live_pack_speaks_for_the_bank() -> None:
    """With one of two packs unheard there is still something to say: stop."""
    site = Site("oak", "fir").is_ready()
    site.falls_silent("fir")
    site.runs(40)
    assert site.view.may_speak is True
    assert site.view.charge_allowed is False


def test_a_local_refusal_stops_the_bank_only_where_told() -> None:
    """An open pack of this very board stops all if the setting says so; another board's does not."""
    for own_packs, told, stops in (
        (["fir"], True, True),
        (["oak"], True, False),
        (["fir"], False, False),
        ([], True, False),
    ):
        site = Site("oak", "fir", own_packs=own_packs, local_refusal_stops_bank=told).is_ready()
        site.says("fir", charge_allowed=False, charge_path_closed=False)
        site.runs(1)
        assert (site.view.charge_current_limit_ma == 0) is stops
        assert site.view.discharge_allowed is True


def test_a_silent_local_refusal_goes_on_stopping() -> None:
    """Its last word was no; removed, it has no word."""
    site = Site("oak", "fir", own_packs=["fir"], local_refusal_stops_bank=True).is_ready()
    site.says("fir", charge_allowed=False, charge_path_closed=False)
    site.runs(1)
    site.falls_silent("fir")
    site.runs(40)
    assert "local_refusal" in site.caps("charge_current")
    site.asks("declare_removed", pack="fir")
    site.runs(1)
    assert "local_refusal" not in site.caps("charge_current")


def test_every_pack_of_this_board_may_refuse_for_all() -> None:
    """Whichever of several it is, and whoever else of them was removed or has nothing to say."""
    for who in ("elm", "fir", "oak"):
        own_packs = ["elm", "fir", "oak"]
        site = Site("elm", "fir", "oak", own_packs=own_packs, local_refusal_stops_bank=True)
        other = "oak" if who == "elm" else "elm"
        site.is_ready().falls_silent(other)
        site.runs(31)
        site.asks("declare_removed", pack=other)
        site.runs(40)
        assert site.view.charge_allowed is True
        site.says(who, charge_allowed=False, charge_path_closed=False)
        site.runs(1)
        assert site.binding("charge_current") == ("local_refusal", None)


def test_the_order_of_reports_within_a_step_changes_nothing() -> None:
    """Whoever speaks first: the same view, the same reasons."""
    views = []
    for order in (("oak", "fir"), ("fir", "oak")):
        bank = Aggregator(BankSettings([PackSettings("oak"), PackSettings("fir")]))
        for second in range(1, 60):
            for place, pack in enumerate(order):
                words = {**HEALTHY, "current_ma": 5_000 if pack == "oak" else 9_000}
                bank.accept(PackReport(pack, second, **words), second * 1_000 + place)  # type: ignore[arg-type]
            view = bank.step(second * 1_000 + 500)
        views.append((view.charge_current_limit_ma, view.stage_elapsed_ms, bank.snapshot()))
    assert views[0] == views[1]
