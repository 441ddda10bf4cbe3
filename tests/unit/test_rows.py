"""Each pack as a person wants to see it: what it adds, and if nothing, why."""

import pytest

from aggregator import PackSettings
from aggregator.rows import REASONS
from tests.bank import Site


def why(**words: object) -> str | None:
    """Why a live pack that says `words` adds nothing."""
    site = Site("oak", "fir").is_ready()
    site.says("fir", **words)
    site.runs(1)
    return site.row("fir").why_ignored


# reason: what the pack says for it
WORDS: dict[str, dict[str, object]] = {
    "path_open": {"charge_path_closed": False},
    "refuses": {"charge_allowed": False},
    "limit_unknown": {"charge_current_limit_ma": None},
    "temperature": {"temperature_min_decic": -1, "temperature_max_decic": 0},
    "cell": {"cell_max_mv": 3_530},
    "own_limit_zero": {"charge_current_limit_ma": 0},
}


@pytest.mark.parametrize("reason", WORDS)
def test_every_reason_is_told(reason: str) -> None:
    """A live pack that adds nothing to charge says which of the reasons it is."""
    assert why(**WORDS[reason]) == "charge: " + reason


def test_the_reasons_are_those_of_the_table() -> None:
    """Withholding is a request (test_requests.py); the rest is above."""
    assert {row[0] for row in REASONS} == {"withheld", *WORDS}


def test_the_first_reason_that_holds_is_told() -> None:
    """An open path comes before a refusal, a refusal before the temperature."""
    assert why(charge_path_closed=False, charge_allowed=False) == "charge: path_open"
    assert why(charge_allowed=False, **WORDS["temperature"]) == "charge: refuses"


def test_charge_is_told_before_discharge() -> None:
    """One text a row: charge first, discharge where charge is fine."""
    assert why(discharge_allowed=False) == "discharge: refuses"
    assert why(discharge_allowed=False, charge_allowed=False) == "charge: refuses"
    assert why() is None


def test_rows_come_in_the_order_of_names() -> None:
    """However the settings list them."""
    assert [row.pack for row in Site("fir", "oak", "ash").view.packs] == ["ash", "fir", "oak"]


def test_a_row_tells_presence_and_contributions() -> None:
    """What the pack adds in either direction, after its own margins."""
    site = Site("oak", PackSettings("fir", sensor_tolerance_permille=100)).is_ready()
    row = site.row("fir")
    assert (row.presence, row.charge_contribution_ma) == ("live", 90_000)
    assert (row.discharge_contribution_ma, row.share_permille) == (90_000, None)
