"""The day runner: what it counts adds up, the same day comes out the same, limiters differ."""

import pytest

from aggregator import Aggregator, SystemView
from conformance.day import (
    ALL_KNOWING,
    HEADROOM,
    LIMIT_NAMES,
    LIMITERS,
    PLAIN_SUM,
    DayResult,
    bulk_fraction,
    day,
    energy_fraction,
    settings_for,
)
from conformance.plant.scenario import Fault, LoadModel, PackModel, Scenario, SunModel
from conformance.plant.world import World

QUARTER_S = 900


def quarter(**changes: object) -> Scenario:
    """Return a quarter of an hour at noon: a strong pack, and a weak one that is fuller."""
    packs = [
        PackModel(pack="oak", capacity_ah=280, charge=0.6),
        PackModel(pack="fir", capacity_ah=100, charge=0.5, charge_limit_a=30, cell_ohm=0.0003),
    ]
    fields: dict[str, object] = {
        "packs": packs,
        "start_s": 43_200.0,
        "duration_s": float(QUARTER_S),
        "sun": SunModel(peak_a=250.0),
        "load": LoadModel(base_a=5.0, steps_per_h=0.0),
    }
    return Scenario(**(fields | changes))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def results() -> dict[str, DayResult]:
    """Return the same quarter under every limiter."""
    return {limiter: day(quarter(), limiter=limiter) for limiter in LIMITERS}


def test_the_same_seed_gives_the_same_day(results: dict[str, DayResult]) -> None:
    assert day(quarter()) == results[HEADROOM]
    assert day(quarter(seed=2)) != results[HEADROOM]


def test_times_add_up(results: dict[str, DayResult]) -> None:
    for result in results.values():
        assert sum(result.stage_s.values()) == QUARTER_S
        for limit in LIMIT_NAMES:
            assert sum(result.binding_s[limit].values()) == QUARTER_S
        for one in result.packs:
            over = one.seconds_over
            assert QUARTER_S >= over[100] >= over[102] >= over[110] >= 0


def test_energy_is_counted_once(results: dict[str, DayResult]) -> None:
    for result in results.values():
        assert len(result.net_kwh) == QUARTER_S // 60
        assert result.net_kwh[-1] == pytest.approx(result.charged_kwh - result.discharged_kwh)
        assert result.charged_kwh > 0.5


def test_the_plain_sum_overloads_the_weak_pack_and_headroom_does_not(
    results: dict[str, DayResult],
) -> None:
    """fir has the lower resistance and a fifth of oak's limit: a sum of limits must overload it."""
    assert results[PLAIN_SUM].worst_percent() > 110
    assert results[PLAIN_SUM].packs[1].seconds_over[110] > 0
    assert results[HEADROOM].worst_percent() <= 100
    assert results[HEADROOM].trips() == 0
    assert results[ALL_KNOWING].worst_percent() <= 102


def test_nobody_takes_more_than_the_limiter_that_knows_everything(
    results: dict[str, DayResult],
) -> None:
    yardstick = results[ALL_KNOWING]
    for fraction in (energy_fraction, bulk_fraction):
        assert fraction(yardstick, yardstick) == 1
        assert 0.5 < fraction(results[HEADROOM], yardstick) <= 1.01


def test_an_observer_sees_every_step_and_every_report() -> None:
    seen: list[int] = []
    reports = 0

    def look(world: World, bank: Aggregator, view: SystemView) -> None:
        nonlocal reports
        seen.append(round(world.now_s))
        reports += len(world.delivered)
        assert isinstance(bank, Aggregator)
        assert view.charge_current_limit_ma >= 0

    result = day(quarter(duration_s=120.0), observer=look)
    assert seen == list(range(1, 121))
    assert 120 <= reports <= 122  # two packs, one report each in two seconds, none lost
    assert result.refused == 0


def test_a_silent_pack_shows_in_what_bound_and_stops_the_charge() -> None:
    fault = Fault(kind="drop", start_s=300.0, stop_s=600.0, pack="oak")
    result = day(quarter(faults=[fault]))
    assert result.binding_s["charge_current"]["unheard"] > 200
    assert result.denied_s["charge"] > 200
    assert "paused" in result.stage_s


def test_a_finding_is_kept_with_when_and_how_long() -> None:
    fault = Fault(kind="charger_ignores", start_s=300.0, stop_s=800.0)
    cap = settings_for(quarter(), charge_current_ceiling_ma=20_000)
    result = day(quarter(faults=[fault]), cap)
    first_s, lasted_s = result.findings["charger_ignores_limit", None]
    assert 300 < first_s < 400
    assert 300 < lasted_s < 600


def test_settings_follow_from_what_an_installer_would_know() -> None:
    scenario = quarter()
    scenario.packs[0].says_path = False
    scenario.packs[1].report_s = 5.0
    settings = settings_for(scenario, margin_permille=60)
    assert settings.margin_permille == 60
    assert settings.fresh_ms == 15_000
    assert [one.opens_path_on_refusal for one in settings.packs] == [True, False]
    assert [one.capacity_mah for one in settings.packs] == [280_000, 100_000]
