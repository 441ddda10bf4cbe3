"""Live, late, unheard, removed: silence ages a pack, and unheard is not gone."""

import pytest

from tests.bank import Site


def presence(site: Site, pack: str) -> tuple[str, str | None]:
    """How the view shows a pack's presence, and why."""
    row = site.row(pack)
    return row.presence, row.why_ignored


def test_a_configured_pack_is_unheard_until_it_speaks() -> None:
    """A pack of the settings that never reported is on the bus and unheard."""
    site = Site("oak")
    assert presence(site, "oak") == ("unheard", "never heard")


def test_an_unheard_pack_counts_after_three_fresh_readings() -> None:
    """Two readings are not yet enough (recovery_samples), the third is."""
    site = Site("oak")
    site.runs(2)
    assert presence(site, "oak")[0] == "unheard"
    site.runs(1)
    assert presence(site, "oak") == ("live", None)


def test_silence_turns_a_pack_late_then_unheard() -> None:
    """Late just after fresh_ms without a new reading, unheard just after unheard_ms."""
    site = Site("oak")
    site.runs(10)
    site.falls_silent("oak")
    site.runs(10)
    assert presence(site, "oak") == ("live", None)
    site.runs(1)
    assert presence(site, "oak") == ("late", "silent")
    site.runs(19)
    assert presence(site, "oak") == ("late", "silent")
    site.runs(1)
    assert presence(site, "oak") == ("unheard", "silent")


def test_a_late_pack_is_live_again_at_once() -> None:
    """One fresh reading brings a late pack back."""
    site = Site("oak")
    site.runs(10)
    site.falls_silent("oak")
    site.runs(15)
    site.speaks("oak")
    site.runs(1)
    assert presence(site, "oak") == ("live", None)


def test_a_silent_pack_must_recover_in_a_row() -> None:
    """Readings with more than unheard_ms between them do not add up to a recovery."""
    site = Site("oak")
    site.runs(10)
    site.falls_silent("oak")
    site.runs(40)
    for _ in range(4):
        site.reports("oak")
        site.runs(31)
        assert presence(site, "oak")[0] == "unheard"
    site.speaks("oak")
    site.runs(3)
    assert presence(site, "oak")[0] == "live"


def test_a_repeated_sample_refreshes_nothing() -> None:
    """The same reading handed over again and again is silence."""
    site = Site("oak")
    site.runs(10)
    site.says("oak", sample=site.samples["oak"], current_ma=9_000)
    site.runs(31)
    assert presence(site, "oak") == ("unheard", "silent")
    assert site.view.current_ma is None


def test_a_sample_that_was_overtaken_is_not_news() -> None:
    """A reading that arrives after a newer one changes nothing."""
    site = Site("oak")
    site.runs(10)
    assert site.reports("oak", sample=9, current_ma=9_000) is None
    assert site.bank.step(site.now_ms).current_ma == 0


@pytest.mark.parametrize(("ahead", "news"), [(32_767, True), (32_768, False)])
def test_a_sample_is_ahead_up_to_half_the_counter(ahead: int, news: bool) -> None:
    """A gap of many lost readings is a gap; half the counter and more is a step back."""
    site = Site("oak")
    site.runs(10)
    site.reports("oak", sample=10 + ahead, current_ma=9_000)
    assert site.bank.step(site.now_ms).current_ma == (9_000 if news else 0)


def test_the_sample_counter_wraps() -> None:
    """After 65535 comes 0, and that is the next reading."""
    site = Site("oak")
    site.samples["oak"] = 65_530
    site.runs(5)
    site.runs(20)
    assert site.samples["oak"] == 19
    assert presence(site, "oak") == ("live", None)


def test_a_restarted_counter_is_taken_up_once_the_pack_was_silent() -> None:
    """A board that restarts counts from 1 again: it goes unheard, then recovers."""
    site = Site("oak")
    site.samples["oak"] = 500
    site.runs(10)
    site.samples["oak"] = 0
    site.runs(31)
    assert presence(site, "oak")[0] == "unheard"
    site.runs(3)
    assert presence(site, "oak") == ("live", None)


def test_an_old_reading_is_no_fresh_one() -> None:
    """A report's own age counts: handed over 12 s old, it leaves the pack late."""
    site = Site("oak")
    site.runs(10)
    site.says("oak", age_ms=12_000)
    site.runs(2)
    assert presence(site, "oak") == ("late", "silent")
    site.says("oak", age_ms=10_000)
    site.runs(1)
    assert presence(site, "oak") == ("live", None)


def test_a_removed_pack_that_reports_counts_at_once() -> None:
    """Whoever reports is connected, whatever was declared."""
    site = Site("oak", "fir")
    site.runs(10)
    site.falls_silent("fir")
    site.runs(31)
    assert site.asks("declare_removed", pack="fir") is None
    site.runs(1)
    assert presence(site, "fir") == ("removed", "declared removed")
    site.speaks("fir")
    site.runs(1)
    assert presence(site, "fir") == ("live", None)


def test_a_returned_pack_is_unheard_until_it_reports() -> None:
    """Declared returned, it is on the bus again and must recover like any silent pack."""
    site = Site("oak", "fir")
    site.runs(10)
    site.falls_silent("fir")
    site.runs(31)
    site.asks("declare_removed", pack="fir")
    assert site.asks("declare_returned", pack="fir") is None
    site.runs(1)
    assert presence(site, "fir") == ("unheard", "silent")
    site.speaks("fir")
    site.runs(3)
    assert presence(site, "fir") == ("live", None)


@pytest.mark.parametrize(
    ("age_ms", "shown"),
    [(10_000, "live"), (10_001, "unheard"), (30_000, "unheard"), (30_001, "removed")],
)
def test_a_removed_pack_that_reports_late_is_there_again(age_ms: int, shown: str) -> None:
    """A reading too old to count still tells that the pack is on the bus; an ancient one does not."""
    site = Site("oak", "fir")
    site.falls_silent("fir")
    site.runs(60)
    site.asks("declare_removed", pack="fir")
    site.says("fir", age_ms=age_ms)
    site.speaks("fir")
    site.runs(1)
    assert presence(site, "fir")[0] == shown


def test_a_pack_that_stops_in_the_middle_of_its_recovery_does_not_report() -> None:
    """Two readings and then silence for longer than unheard_ms: it may be declared removed."""
    site = Site("oak", "fir")
    site.runs(2)
    site.falls_silent("fir")
    site.runs(30)
    assert site.asks("declare_removed", pack="fir") is not None
    site.runs(1)
    assert site.asks("declare_removed", pack="fir") is None
