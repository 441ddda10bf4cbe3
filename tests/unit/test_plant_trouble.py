"""A forenoon on the plant, with what goes wrong in real banks: no trip, and the bank fills.

The five cases in which bare headroom fails (docs/explanation/headroom.md), and sensors and cells
that are not what they should be. All of it invented; what a pack carries is its true current, in percent
of its own limit at that moment.
"""

from functools import cache

import pytest

from aggregator import BankSettings, PackSettings
from conformance.day import ALL_KNOWING, DayResult, day, energy_fraction, settings_for
from conformance.plant.scenario import (
    HOUR_S,
    ChargerModel,
    Fault,
    LoadModel,
    PackModel,
    Scenario,
    SunModel,
)

ALWAYS_S = (0.0, 3 * HOUR_S)
Changes = dict[str, object]


def noon(fir: Changes, **changes: object) -> Scenario:
    """Three packs, three quarters full; fir is the small one, and may be changed."""
    packs = [
        PackModel(pack="oak", capacity_ah=280, charge=0.75, charge_limit_a=140, cell_ohm=0.0004),
        PackModel(pack="ash", capacity_ah=230, charge=0.76, charge_limit_a=115, external_ohm=0.003),
        PackModel(pack="fir", **{"capacity_ah": 100, "charge": 0.78, "charge_limit_a": 50, **fir}),  # type: ignore[arg-type]  # plain fields
    ]
    fields: Changes = {
        "packs": packs,
        "start_s": 9 * HOUR_S,
        "duration_s": ALWAYS_S[1],
        "sun": SunModel(peak_a=330.0),
        "load": LoadModel(base_a=8.0, steps_a=[30.0], steps_per_h=6.0),
        "seed": 5,
    }
    return Scenario(**(fields | changes))  # type: ignore[arg-type]


def fault(kind: str, value: float = 0.0, span_s: tuple[float, float] = ALWAYS_S) -> list[Fault]:
    """One thing that goes wrong with fir."""
    return [Fault(kind=kind, start_s=span_s[0], stop_s=span_s[1], pack="fir", value=value)]


A_PATH_OPENS = "a pack opens its charge path, and does not say so"
LOADS_GO = "the loads take more than the sun gives, and stop"
# What nobody can know before it happens: the others have its current until the chargers have heard.
BRIEFLY_S = {A_PATH_OPENS: 10.0, LOADS_GO: 2.0}
SOME_MINUTES_S = (1_200.0, 1_500.0)
TROUBLE: dict[str, Scenario] = {
    "all is well": noon({}),
    "a limit falls with a high cell": noon({"high_cell_charge": 0.01}),
    LOADS_GO: noon({}, load=LoadModel(base_a=60.0, steps_a=[120.0], steps_per_h=6.0, step_s=300.0)),
    A_PATH_OPENS: noon({"says_path": False}, faults=fault("opens_charge", span_s=SOME_MINUTES_S)),
    "chargers limit their output beside loads": noon({}, charger=ChargerModel(limits="output")),
    "one report of five is lost": noon({}, report_loss=0.2),
    "a pack is not heard for minutes": noon({}, faults=fault("drop", span_s=SOME_MINUTES_S)),
    "a sensor reads 5 A low": noon({"current_offset_a": -5.0}),
    "a sensor reads 5 A high": noon({"current_offset_a": 5.0}),
    "a sensor has the wrong sign": noon({}, faults=fault("flip_sign")),
}


def settings(scenario: Scenario, tolerance_ma: int) -> BankSettings:
    """What an installer sets who knows how far fir's sensor is off."""
    usual = settings_for(scenario)
    packs = [
        PackSettings(
            pack.pack,
            capacity_mah=pack.capacity_mah,
            opens_path_on_refusal=pack.opens_path_on_refusal,
            sensor_tolerance_ma=tolerance_ma if pack.pack == "fir" else 0,
        )
        for pack in usual.packs
    ]
    return BankSettings(
        packs,
        fresh_ms=usual.fresh_ms,
        unheard_ms=usual.unheard_ms,
        charger_limits=usual.charger_limits,
    )


@cache
def lived(name: str) -> DayResult:
    """These hours, under our limits."""
    scenario = TROUBLE[name]
    return day(scenario, settings(scenario, 5_000 if "5 A" in name else 0))


@pytest.mark.parametrize("name", TROUBLE)
def test_no_board_has_to_protect_its_pack(name: str) -> None:
    result = lived(name)
    assert result.trips() == 0
    for pack in result.packs:
        assert pack.seconds_over[102] <= BRIEFLY_S.get(name, 0.0)


@pytest.mark.parametrize("name", TROUBLE)
def test_the_bank_fills_all_the_same(name: str) -> None:
    """As far as a limiter would fill it that knows every pack's true current and limit."""
    yardstick = day(TROUBLE[name], limiter=ALL_KNOWING)
    assert energy_fraction(lived(name), yardstick) >= 0.97


def test_a_high_cell_is_found() -> None:
    """It stops the others' charge, and its owner is told which."""
    found = {name for name, _ in lived("a limit falls with a high cell").findings}
    assert "cell_blocks_absorption" in found
