"""What simulated boards report, and every fault that a scenario can order."""

import pytest

from aggregator import Aggregator, BankSettings, PackReport, PackSettings
from conformance.plant.scenario import FAULT_KINDS, ChargerModel, demo
from conformance.plant.world import World
from tests.plant_site import NAMES, fault, of, runs, site


def test_the_core_takes_every_report_of_the_demo() -> None:
    """Field names, units and ranges are those of the core."""
    world = World(demo())
    bank = Aggregator(BankSettings([PackSettings(pack.pack) for pack in demo().packs]))
    taken = 0
    for _ in range(600):
        world.step()
        for fields in world.reports():
            assert bank.accept(PackReport(**fields), round(world.now_s * 1_000)) is None  # type: ignore[arg-type]
            taken += 1
    assert taken > 800


def test_reports_come_in_their_period_rounded() -> None:
    """Every 3 s from its skew on, in steps of 10 mV and 100 mA."""
    world = site(report_s=3.0, skew_s=2.0)
    times = []
    for _ in range(12):
        for report in runs(world, 1):
            times.append((world.now_s, report["pack"], report["sample"]))
            assert report["voltage_mv"] % 10 == 0  # type: ignore[operator]
            assert report["current_ma"] % 100 == 0  # type: ignore[operator]
    assert times == [
        (2.0 + 3 * k, name, k + 1) for k in range(4) for name in NAMES
    ]  # fmt: skip


def test_lost_reports_still_count_their_sample() -> None:
    """About a tenth is missing, and the gaps show."""
    scenario = demo()
    scenario.report_loss = 0.1
    world = World(scenario)
    samples = of(runs(world, 4_000), "oak", "sample")
    assert len(samples) == pytest.approx(1_800, abs=60)
    assert samples[-1] == pytest.approx(2_000, abs=3)


def test_a_board_may_leave_things_out() -> None:
    """Paths it does not report are unknown, other fields are absent."""
    (report, *_) = runs(site(says_path=False, omits=["soc_permille", "balancing"]), 5)
    assert report["charge_path_closed"] is None
    assert "soc_permille" not in report
    assert "balancing" not in report


def test_offsets_are_in_the_report_only() -> None:
    """0.5 A and 30 mV too much, in the reading of a pack that sits still."""
    plain, off = site(), site(current_offset_a=0.5, voltage_offset_v=0.03)
    (here, *_), (there, *_) = runs(plain, 3, 0.0), runs(off, 3, 0.0)
    assert there["current_ma"] - here["current_ma"] == 500  # type: ignore[operator]
    assert there["voltage_mv"] - here["voltage_mv"] == 30  # type: ignore[operator]
    assert plain.packs[0].current_a == off.packs[0].current_a


def test_dropped_reports_do_not_arrive() -> None:
    """While it lasts, of that pack only."""
    found = runs(site([fault("drop", 10, 30)], report_s=1.0), 60)
    assert len(of(found, "oak", "sample")) == 40
    assert len(of(found, "fir", "sample")) == 60


def test_frozen_values_come_with_new_samples() -> None:
    """The current moves, the report does not, the counter goes on."""
    found = runs(site([fault("freeze", 5, 15)], report_s=1.0), 20)
    assert len(set(of(found, "oak", "current_ma")[4:14])) == 1
    assert len(set(of(found, "fir", "current_ma")[4:14])) > 5
    assert of(found, "oak", "sample") == list(range(1, 21))


def test_late_reports_tell_of_what_was() -> None:
    """5 s behind the other pack, which carries the same."""
    found = runs(
        site([fault("late", 0, 99, 5.0)], report_s=1.0, ohm_spread=0.0, charge_spread=0.0), 30
    )
    oak, fir = of(found, "oak", "voltage_mv"), of(found, "fir", "voltage_mv")
    assert oak[10:] == fir[5:-5]
    assert len(set(fir)) > 3


@pytest.mark.parametrize(("kind", "value"), [("flip_sign", 0.0), ("offset", -7.0)])
def test_a_wrong_current_is_in_the_report_only(kind: str, value: float) -> None:
    """Flipped, or 7 A too little."""
    world = site([fault(kind, 30, 60, value)])
    said = of(runs(world, 50), "oak", "current_ma")[-1]
    true_a = world.packs[0].current_a
    assert true_a > 40
    expected_a = -true_a if kind == "flip_sign" else true_a - 7.0
    assert said == pytest.approx(expected_a * 1_000, abs=60)


def test_a_pack_opens_both_paths_for_as_long_as_it_is_told() -> None:
    """Longer than a board would wait; the other takes over; that is no trip of the board."""
    world = site([fault("opens", 30, 230)])
    runs(world, 225)
    assert [round(pack.current_a) for pack in world.packs] == [0, 100]
    assert world.boards[0].trips == []
    runs(world, 30)
    assert world.packs[0].current_a > 40


def test_a_pack_opens_its_charge_path_and_still_gives() -> None:
    """No charge, but its part of the load when the sun is not asked."""
    world = site([fault("opens_charge", 0, 900)])
    last = of(runs(world, 60), "oak", "charge_allowed")[-1]
    assert (last, round(world.packs[0].current_a)) == (False, 0)
    runs(world, 60, 0.0, 40.0)
    assert world.packs[0].current_a < -1
    assert world.packs[1].current_a < -1


def test_a_charger_that_ignores_limits_takes_all_the_sun() -> None:
    """For as long as it lasts, up to the voltage limit."""
    world = site([fault("charger_ignores", 30, 90)])
    runs(world, 80)
    assert world.total_a == pytest.approx(190.0, abs=1.0)
    runs(world, 30)
    assert world.total_a == pytest.approx(100.0, abs=1.0)


def test_a_silent_gateway_leaves_the_chargers_with_the_last_word() -> None:
    """Or stops them, if they have a watchdog."""
    for gives_up_s, total_a in ((0.0, 100.0), (20.0, -10.0)):
        charger = ChargerModel(latency_s=2.0, gives_up_s=gives_up_s)
        world = site([fault("gateway_silent", 40, 999)], charger)
        runs(world, 40)
        runs(world, 40, 5.0)
        assert world.total_a == pytest.approx(total_a, abs=0.5)


def test_every_kind_of_fault_is_tested_here() -> None:
    """A new kind needs a test in this file."""
    tested = {
        "drop", "freeze", "late", "flip_sign", "offset", "opens", "opens_charge",
        "charger_ignores", "gateway_silent",
    }  # fmt: skip
    assert tested == set(FAULT_KINDS)
