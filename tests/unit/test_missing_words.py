"""What a report leaves out, and the pack said before, stays in force: nothing that is missing raises
a limit (REQ-LIM-07)."""

import pytest

from tests.bank import Site

WAYS = ("charge", "discharge")


@pytest.mark.parametrize("way", WAYS)
def test_a_refusal_that_is_not_repeated_stands(way: str) -> None:
    site = Site("oak", "fir").is_ready()
    site.says("fir", **{f"{way}_allowed": False})
    site.runs(5)
    site.says("fir", **{f"{way}_allowed": None})
    site.runs(100)
    assert site.binding(f"{way}_current") == ("refuses_but_connected", "fir")
    site.says("fir", **{f"{way}_allowed": True})
    site.runs(100)
    assert getattr(site.view, f"{way}_allowed") is True


def test_a_board_without_permissions_speaks_by_its_limit() -> None:
    """What was never said cannot stand."""
    site = Site("oak", "fir")
    site.says("fir", charge_allowed=None, discharge_allowed=None)
    view = site.is_ready().view
    assert view.charge_allowed
    assert view.discharge_allowed


@pytest.mark.parametrize(("way", "own_mv"), [("charge", 53_500), ("discharge", 51_500)])
def test_an_own_voltage_limit_that_is_not_repeated_stands(way: str, own_mv: int) -> None:
    site = Site("oak", "fir")
    site.says("fir", **{f"{way}_voltage_limit_mv": own_mv})
    site.runs(60)
    site.says("fir", **{f"{way}_voltage_limit_mv": None})
    site.runs(60)
    assert site.binding(f"{way}_voltage") == ("own_limit", "fir")
    assert getattr(site.view, f"{way}_voltage_limit_mv") == own_mv


@pytest.mark.parametrize("missing", ["voltage_mv", "cell_max_mv"])
def test_the_room_of_the_highest_cell_stands(missing: str) -> None:
    """fir's highest cell had 50 mV to go at 53.0 V when the reading ceased."""
    site = Site("oak", "fir")
    site.says("fir", cell_max_mv=3_500)
    site.runs(60)
    site.says("fir", **{missing: None})
    site.runs(60)
    cap = site.caps("charge_voltage")["extreme_cell"]
    assert (cap.value, cap.pack) == (53_200, "fir")


def test_a_pack_that_was_away_starts_anew() -> None:
    """It may have another board, one without permissions and voltage limits."""
    site = Site("oak", "fir")
    site.says("fir", charge_allowed=False, charge_voltage_limit_mv=53_100)
    site.runs(60)
    site.falls_silent("fir")
    site.runs(60)
    site.asks("declare_removed", pack="fir")
    site.says("fir", charge_allowed=None, charge_voltage_limit_mv=None)
    site.speaks("fir")
    site.runs(100)
    assert site.view.charge_allowed
    assert site.caps("charge_voltage")["own_limit"].pack == "oak"
