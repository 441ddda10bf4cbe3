"""Commands and declarations act at once, inside the installer's bounds."""

import pytest

from aggregator import StageSettings
from tests.bank import Site, day, in_absorption, in_float


def refusal_of(site: Site, kind: str, **fields: object) -> tuple[str, str]:
    """The field for which a request is refused, and what was expected."""
    refusal = site.asks(kind, **fields)
    assert refusal is not None
    return refusal.field, refusal.expected


# start_bulk


def test_start_bulk_leaves_float_at_once() -> None:
    """The owner has not to wait for tomorrow."""
    site = in_float()
    assert site.asks("start_bulk") is None
    assert site.runs(1).stage == "bulk"


def test_two_starts_keep_their_distance() -> None:
    """A second start within restart_min_interval_ms is refused, and says why."""
    site = in_float(restart_min_interval_ms=600_000)
    assert refusal_of(site, "start_bulk") == (
        "kind",
        "restart_min_interval_ms since the last start",
    )
    site.runs(600)
    assert site.asks("start_bulk") is None
    assert site.runs(1).stage == "bulk"


def test_a_start_asked_for_in_bulk_is_not_kept_for_later() -> None:
    """Bulk is what was asked for: absorption is not cut short afterwards."""
    site = day()
    site.asks("start_bulk")
    site.runs(1)
    site.says(voltage_mv=55_200)
    site.runs(15)
    assert site.view.stage == "absorption"


def test_a_start_asked_for_in_a_pause_comes_after_it() -> None:
    """Charging is denied now; the new charge begins when it is allowed again."""
    site = in_float()
    site.says("fir", charge_allowed=False)
    site.runs(5)
    assert site.asks("start_bulk") is None
    site.says("fir", charge_allowed=True)
    site.runs(31)
    assert site.view.stage == "bulk"


# adjust_stage


def adjustable(*rows: tuple[str, int, int]) -> dict[str, object]:
    """Stage settings in which the owner may change these."""
    return {"adjustable": rows}


def test_what_the_installer_did_not_open_stays_closed() -> None:
    """No field is adjustable by default, and no other than the ones opened."""
    expected = ("field", "a stage setting that the installer opened")
    site = Site("oak")
    assert refusal_of(site, "adjust_stage", field="absorption_ms", value=1) == expected
    site = Site("oak", stages=StageSettings(adjustable=(("absorption_ms", 0, 60_000),)))
    for field in ("absorption_max_ms", "weather", "", None):
        assert refusal_of(site, "adjust_stage", field=field, value=1) == expected


@pytest.mark.parametrize("value", [59_999, 120_001])
def test_the_owner_stays_within_the_installers_bounds(value: int) -> None:
    """Both bounds are good, one beyond is refused with the bounds named."""
    site = Site("oak", stages=StageSettings(adjustable=(("absorption_ms", 60_000, 120_000),)))
    assert refusal_of(site, "adjust_stage", field="absorption_ms", value=value) == (
        "value",
        "60000..120000, the installer's bounds",
    )
    for good in (60_000, 120_000):
        assert site.asks("adjust_stage", field="absorption_ms", value=good) is None


def test_the_owner_may_adjust_a_number_to_nothing() -> None:
    """0 is a value like any other, where the bounds allow it."""
    site = Site("oak", stages=StageSettings(adjustable=(("dwell_ms", 0, 9),)))
    assert site.asks("adjust_stage", field="dwell_ms", value=0) is None
    assert site.bank.snapshot()["adjusted.dwell_ms"] == 0


@pytest.mark.parametrize("field", [[], {}, 7, True])
def test_a_field_of_another_type_is_refused(field: object) -> None:
    """Whatever is sent as a field, nothing raises."""
    assert refusal_of(day(), "adjust_stage", field=field, value=1)[0] == "field"
    assert refusal_of(day(), "clear", field=field)[0] == "field"


def test_the_newest_adjustment_is_in_force() -> None:
    """Half a minute of absorption, then two minutes: the second word counts."""
    site = in_absorption(**adjustable(("absorption_ms", 0, 600_000)))
    site.asks("adjust_stage", field="absorption_ms", value=30_000)
    site.asks("adjust_stage", field="absorption_ms", value=120_000)
    site.runs(119)
    assert site.view.stage == "absorption"
    assert site.runs(1).stage == "float"


@pytest.mark.parametrize(
    ("field", "value", "stage"),
    [
        ("dwell_ms", 30_000, "bulk"),
        ("tolerance_mv", 100, "bulk"),
        ("dwell_ms", 5_000, "absorption"),
    ],
)
def test_every_adjustable_number_has_its_effect(field: str, value: int, stage: str) -> None:
    """A longer dwell or a smaller tolerance keeps the bank in bulk at 55.05 V for ten seconds."""
    site = day(**adjustable((field, 0, 60_000 if field == "dwell_ms" else 1_000)))
    assert site.asks("adjust_stage", field=field, value=value) is None
    site.says(voltage_mv=55_050)
    assert site.runs(10).stage == stage


# clear


def test_clear_drops_the_wish_of_this_kind_pack_and_source() -> None:
    """The same wish of somebody else, and the same kind for another pack, stay."""
    site = Site("oak", "fir").is_ready()
    site.asks("withhold_pack", pack="oak", source="phone")
    site.asks("withhold_pack", pack="fir", source="phone")
    site.asks("withhold_pack", pack="fir", source="panel")
    assert site.asks("clear", field="withhold_pack", pack="fir", source="phone") is None
    site.runs(1)
    assert site.row("oak").why_ignored == "charge: withheld"
    assert site.row("fir").why_ignored == "charge: withheld"
    assert site.asks("clear", field="withhold_pack", pack="fir", source="panel") is None
    site.runs(1)
    assert site.row("fir").why_ignored is None


@pytest.mark.parametrize(
    "fields",
    [
        {"field": "stop_charge"},  # asked by somebody else
        {"field": "stop_discharge", "source": "phone"},
        {"field": "stop_charge", "source": "phone", "pack": "oak"},
        {"field": "start_bulk", "source": "phone"},
        {"field": "weather", "source": "phone"},
        {"source": "phone"},
    ],
    ids=str,
)
def test_there_is_nothing_to_clear_but_wishes_in_force(fields: dict[str, object]) -> None:
    """Clearing what is not there is refused, so that a typing error shows."""
    site = Site("oak")
    site.asks("stop_charge", source="phone")
    assert refusal_of(site, "clear", **fields)[0] == "field"


# Declarations


@pytest.mark.parametrize("state", ["live", "late", "recovering"])
def test_a_pack_that_reports_cannot_be_declared_removed(state: str) -> None:
    """Whoever speaks is connected."""
    site = Site("oak", "fir")
    site.runs(1 if state == "recovering" else 10)
    if state == "late":
        site.falls_silent("fir")
        site.runs(15)
    assert refusal_of(site, "declare_removed", pack="fir") == (
        "pack",
        "a pack that does not report",
    )


def test_a_pack_never_heard_can_be_declared_removed() -> None:
    """A pack of the settings that is not installed yet does not stop the bank."""
    site = Site("oak", "fir")
    site.falls_silent("fir")
    site.runs(60)
    assert site.binding("charge_current") == ("unheard", "fir")
    assert site.asks("declare_removed", pack="fir") is None
    site.runs(60)
    assert site.view.charge_current_limit_ma == 100_000


def test_declaring_twice_is_no_mistake() -> None:
    """A repeated declaration is taken, and nothing changes."""
    site = Site("oak", "fir")
    site.falls_silent("fir")
    for _ in range(2):
        assert site.asks("declare_removed", pack="fir") is None
        assert site.row("fir").presence == "removed"
    for _ in range(2):
        assert site.asks("declare_returned", pack="fir") is None
        assert site.row("fir").presence == "unheard"


def test_declaring_a_live_pack_returned_changes_nothing() -> None:
    """It is there already."""
    site = Site("oak", "fir").is_ready()
    assert site.asks("declare_returned", pack="fir") is None
    assert site.row("fir").presence == "live"
