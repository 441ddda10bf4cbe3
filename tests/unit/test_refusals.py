"""A pack refuses: does its path open? The third case in which bare headroom is not enough."""

import pytest

from aggregator import PackSettings
from tests.bank import Site


def refusing(opens: bool, current_ma: int | None, closed: bool | None = None) -> Site:
    """fir refuses to be charged, at this current, and says this about its path."""
    site = Site("oak", PackSettings("fir", opens_path_on_refusal=opens)).is_ready()
    site.says(
        "fir",
        charge_allowed=False,
        charge_path_closed=closed,
        current_ma=current_ma,
        soc_permille=1,
    )
    site.runs(1)
    return site


@pytest.mark.parametrize(
    ("opens", "current_ma", "closed", "stops"),
    [
        (True, 0, None, False),
        (True, 1_000, None, False),
        (True, 1_001, None, True),  # current flows: the path did not open
        (True, -50_000, None, False),  # out through its diode, as it may
        (True, None, None, True),  # nobody knows whether it is still
        (False, 0, None, True),
        (True, 0, True, True),  # its own word beats the setting
        (False, 0, False, False),
        (False, 50_000, False, False),
    ],
)
def test_a_refusal_stops_the_bank_unless_the_path_is_open(
    opens: bool, current_ma: int | None, closed: bool | None, stops: bool
) -> None:
    """Open by its own word, or by the setting while its current is still; else connected."""
    site = refusing(opens, current_ma, closed)
    refusal = site.caps("charge_current").get("refuses_but_connected")
    assert (refusal is not None) is stops
    if refusal is not None:
        assert (refusal.value, refusal.pack) == (0, "fir")
        assert site.view.charge_current_limit_ma == 0


def test_discharge_mirrors_it() -> None:
    """A pack that refuses to be discharged counts as open only while it gives at most 1 A."""
    site = Site("oak", PackSettings("fir", opens_path_on_refusal=True)).is_ready()
    site.says("fir", discharge_allowed=False, discharge_path_closed=None, current_ma=-1_000)
    site.runs(1)
    assert "refuses_but_connected" not in site.caps("discharge_current")
    site.says("fir", current_ma=-1_001)
    site.runs(1)
    assert site.binding("discharge_current") == ("refuses_but_connected", "fir")


def test_a_refusal_pauses_the_day_but_a_zero_by_arithmetic_does_not() -> None:
    """Only a denial means paused: a pack too cold to charge leaves the stage as it is."""
    site = refusing(False, 0)
    site.runs(1)
    assert site.view.stage == "paused"
    cold = Site("oak", "fir").is_ready()
    cold.says("fir", temperature_min_decic=-50, temperature_max_decic=-50)
    cold.runs(60)
    assert cold.view.charge_current_limit_ma == 0
    assert cold.view.charge_allowed is False
    assert cold.view.stage == "bulk"


def test_after_a_path_opens_nothing_rises_for_30_s() -> None:
    """The limit may fall at once, and rises again when path_settle_ms have passed."""
    site = refusing(True, 0)
    before = site.view.charge_current_limit_ma
    site.says("oak", charge_current_limit_ma=before - 40_000)
    site.runs(1)
    assert site.view.charge_current_limit_ma == before - 40_000
    site.says("oak", charge_current_limit_ma=100_000)
    site.runs(27)
    assert site.view.charge_current_limit_ma == before - 40_000
    assert site.binding("charge_current") == ("path_no_rise", None)
    site.runs(3)
    assert site.view.charge_current_limit_ma > before - 40_000


def test_the_time_after_a_path_opens_is_served_in_full() -> None:
    """29 s after the report that told of the open path, the limit still does not rise."""
    site = Site("oak", "fir", charge_current_ceiling_ma=50_000).is_ready()
    site.says("fir", charge_allowed=False, charge_path_closed=False)
    site.runs(1)
    assert site.caps("charge_current")["path_no_rise"].value == 50_000
    site.runs(29)
    assert "path_no_rise" in site.caps("charge_current")


def test_after_a_path_closes_nothing_rises_either() -> None:
    """A pack that rejoins shares the current anew: for 30 s the bank keeps what it has."""
    site = Site("oak", "fir")
    site.says("fir", charge_path_closed=False)
    site.is_ready()
    assert site.view.charge_current_limit_ma == 100_000
    site.says(charge_path_closed=True, current_ma=10_000)
    site.runs(29)
    assert site.view.charge_current_limit_ma == 100_000
    assert site.binding("charge_current") == ("path_no_rise", None)
    site.runs(5)
    assert site.view.charge_current_limit_ma == 110_000
