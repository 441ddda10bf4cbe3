"""A snapshot is taken up after the owner has asked for something else: the newer word counts."""

from aggregator import StageSettings
from tests.bank import Site


def test_a_wish_made_since_is_newer_than_the_snapshot() -> None:
    """The phone asked for less while the snapshot lay there: less it is."""
    before = Site("oak", "fir")
    before.asks("cap_charge_current", value=75_000, source="phone")
    before.asks("stop_discharge")
    site = Site("oak", "fir")
    site.asks("cap_charge_current", value=50_000, source="phone")
    assert site.bank.restore(before.bank.snapshot(), 0) is None
    site.runs(100)
    assert site.binding("charge_current") == ("owner_cap", None)
    assert site.view.charge_current_limit_ma == 50_000
    assert site.view.discharge_allowed is False


def test_an_adjustment_made_since_is_newer_than_the_snapshot() -> None:
    opened = StageSettings(adjustable=(("absorption_ms", 0, 7_200_000),))
    before, site = Site("oak", stages=opened), Site("oak", stages=opened)
    before.asks("adjust_stage", field="absorption_ms", value=3_600_000)
    site.asks("adjust_stage", field="absorption_ms", value=60_000)
    assert site.bank.restore(before.bank.snapshot(), 0) is None
    assert site.bank.snapshot()["adjusted.absorption_ms"] == 60_000


def test_no_stop_is_lost_where_wishes_are_too_many() -> None:
    """Sixteen were made since the restart: the state is refused aloud, and taken once there is room."""
    before = Site("oak", "fir")
    before.asks("stop_charge", source="panel")
    site = Site("oak", "fir")
    for number in range(16):
        site.asks("cap_charge_current", value=90_000, source=str(number))
    refusal = site.bank.restore(before.bank.snapshot(), 0)
    assert (
        str(refusal)
        == 'kind: expected at most 16 wishes at a time; clear one first, got "cap_charge_current"'
    )
    site.asks("clear", field="cap_charge_current", source="0")
    assert site.bank.restore(before.bank.snapshot(), 0) is None
    site.runs(100)
    assert site.binding("charge_current") == ("owner_stop", None)
