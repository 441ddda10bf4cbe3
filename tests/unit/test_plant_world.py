"""The simulated site as a whole: voltage limits, several chargers, dark and bright ends."""

import pytest

from conformance.plant.scenario import HOUR_S, ChargerModel, Fault, demo
from conformance.plant.world import World
from tests.plant_site import NAMES, Reports, fault, runs, site


def test_the_same_seed_is_the_same_day() -> None:
    """Reports and currents, to the last bit; another seed is another day."""

    def told(seed: int) -> tuple[Reports, list[float]]:
        scenario = demo()
        scenario.seed, scenario.start_s, scenario.sun.cloudy = seed, 9 * HOUR_S, True
        world = World(scenario)
        return runs(world, 1_200, 200.0), [pack.current_a for pack in world.packs]

    assert told(1) == told(1)
    assert told(1) != told(2)


@pytest.mark.parametrize("drop_ohm", [0.0, 0.002])
def test_the_bus_never_passes_the_voltage_limit(drop_ohm: float) -> None:
    """An ideal clamp holds it, one with a droop of 500 S stays below."""
    world = site(charger=ChargerModel(latency_s=2.0, drop_ohm=drop_ohm), charge=0.97)
    highest_v = 0.0
    for _ in range(1_800):
        runs(world, 1, 150.0, 53.9)
        highest_v = max(highest_v, world.bus.volt + drop_ohm * world.output_a)
    assert highest_v == pytest.approx(53.9, abs=1e-6)
    assert world.total_a < 100.0


def test_several_chargers_share_by_their_parts() -> None:
    """30 % and 70 % of sun, limit and loads make the same total as one charger."""
    world = site()
    models = [ChargerModel(latency_s=2.0, part=0.3), ChargerModel(latency_s=8.0, part=0.7)]
    scenario = world.scenario
    scenario.charger, scenario.more_chargers = models[0], models[1:]
    world = World(scenario)
    runs(world, 6)
    assert world.total_a == pytest.approx(33.0 - 10.0)
    runs(world, 54)
    assert [one.output_a for one in world.chargers] == pytest.approx([33.0, 77.0])
    assert world.total_a == pytest.approx(100.0)


def test_the_charger_with_the_lower_voltage_gives_way_first() -> None:
    """Two that were told at different times, while a full bank takes little."""
    world = site(charge=0.99)
    scenario = world.scenario
    scenario.charger = ChargerModel(latency_s=2.0, part=0.5)
    scenario.more_chargers = [ChargerModel(latency_s=300.0, part=0.5)]
    world = World(scenario)
    runs(world, 320, 100.0, 55.2)
    runs(world, 30, 100.0, 53.9)
    now, later = (one.output_a for one in world.chargers)
    assert now == 0.0
    assert later > 10.0
    runs(world, 600, 100.0, 53.9)  # the bank itself is still above
    assert [one.output_a for one in world.chargers] == [0.0, 0.0]


def test_cells_are_seen_under_current() -> None:
    """Every cell shows its own resistance, and together they are what the board measures."""
    world = site(ohm_spread=0.2, charge_spread=0.0, capacity_spread=0.0)
    runs(world, 30, 150.0)
    pack = world.packs[0]
    assert pack.current_a > 50
    assert sum(pack.cells_v) == pytest.approx(pack.stack_v())
    stiffest = max(range(16), key=lambda k: pack.cell_ohm[k])
    assert pack.cells_v[stiffest] == pack.high_v
    spread_ohm = max(pack.cell_ohm) - min(pack.cell_ohm)
    assert pack.high_v - pack.low_v == pytest.approx(spread_ohm * pack.current_a, rel=1e-6)


def test_with_every_pack_gone_the_loads_have_what_the_chargers_give() -> None:
    """By day the chargers carry the loads at their voltage limit; by night it is dark."""
    opens = [Fault(kind="opens", start_s=30, stop_s=999, pack=name) for name in NAMES]
    world = site(opens)
    runs(world, 60)
    assert (world.total_a, world.unserved_a) == (0.0, 0.0)
    assert world.output_a == pytest.approx(world.load_a)
    world.scenario.sun.peak_a = 0.0
    runs(world, 5)
    assert (world.output_a, world.unserved_a) == (0.0, 10.0)


def test_an_over_voltage_at_the_knee_trips_and_comes_back() -> None:
    """A charger that ignores everything overfills the packs; discharge brings their paths back."""
    world = site([fault("charger_ignores", 0, 9_999)], charge=0.985, tapers=False)
    runs(world, 300, 0.0, 60.0)
    trips = [why for board in world.boards for _, why in board.trips]
    assert "cell_over_voltage" in trips
    world.scenario.faults.clear()
    runs(world, 5_400, 0.0, 40.0)  # 5 A each
    assert [board.charge_open for board in world.boards] == [False, False]


def test_balancing_brings_cells_together_at_the_top_only() -> None:
    """An hour held at 55.2 V bleeds the high cells; an hour on the plateau bleeds nothing."""
    world = site(charge=0.99, charge_spread=0.002)
    runs(world, 1_200)
    spread = max(world.packs[0].charge) - min(world.packs[0].charge)
    runs(world, 3_600)
    assert world.packs[0].bled_j > 0
    assert max(world.packs[0].charge) - min(world.packs[0].charge) < spread
    world = site(charge=0.5)
    runs(world, 3_600, 10.0)
    assert world.packs[0].bled_j == 0


def test_a_pack_warms_up_under_load_and_cold_makes_it_stiffer() -> None:
    """Heat over the room by watts; twice the resistance at freezing point, if asked for."""
    world = site()
    runs(world, 3_600, 190.0)
    assert 22.3 < world.packs[0].temperature_c < 30
    warm, cold = site(), site(temperature_c=0.0, stiffens_in_cold=True)
    assert cold.packs[0].internal_ohm == pytest.approx(2 * warm.packs[0].internal_ohm)


def test_the_yardstick_sees_the_voltage_limit_and_open_paths() -> None:
    """All-knowing: less when the bus must stay low, less when a pack has opened."""
    world = site([fault("opens", 50, 60)])
    runs(world, 40)
    every_a = world.all_knowing_a()
    assert 200 < every_a < 281
    assert world.all_knowing_a(volt_limit_v=world.bus.volt) == pytest.approx(world.total_a, abs=2)
    assert world.all_knowing_a(-1) > 200
    runs(world, 15)
    assert world.all_knowing_a() == pytest.approx(140.0)
    assert world.plain_sum_a() == world.plain_sum_a(-1) == pytest.approx(140.0)
