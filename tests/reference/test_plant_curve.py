"""The plant's cell: the published curve, and a cell through a sequence of currents."""

import pytest

from conformance.plant.cell import CELLS, looked_up_v, open_circuit_v, stored_v
from tests.reference.runs import even_pack, profile_run

# Percent charged, one cell [V], sixteen [V]: the parameter set evaluated by PyBaMM.
CURVE = (
    (0, 2.0000, 32.000), (2, 2.4600, 39.360), (5, 2.7853, 44.565), (10, 2.9781, 47.649),
    (15, 3.1080, 49.728), (20, 3.1685, 50.696), (30, 3.2058, 51.293), (40, 3.2525, 52.040),
    (50, 3.2660, 52.256), (60, 3.2688, 52.301), (65, 3.2700, 52.319), (70, 3.2740, 52.384),
    (75, 3.2926, 52.681), (80, 3.3097, 52.955), (90, 3.3142, 53.027), (95, 3.3164, 53.062),
    (96, 3.3193, 53.109), (97, 3.3274, 53.238), (98, 3.3502, 53.603), (98.5, 3.3743, 53.989),
    (99, 3.4150, 54.640), (99.5, 3.4838, 55.741), (100, 3.6000, 57.600),
)  # fmt: skip
# Seconds into PROFILE, cell voltage [V]: PyBaMM's Thevenin model.
SPOTS = ((300, 3.37217), (660, 3.27848), (1_190, 3.24671), (2_900, 3.37434), (4_990, 3.31453))


@pytest.mark.source(
    "PRADA2013", "the set's open-circuit potentials, evaluated at the stoichiometry"
)
@pytest.mark.parametrize(("percent", "cell_v", "pack_v"), CURVE)
def test_the_curve_is_the_published_one(percent: float, cell_v: float, pack_v: float) -> None:
    """One cell, its table, and a pack of sixteen."""
    assert open_circuit_v(percent / 100) == pytest.approx(cell_v, abs=6e-5)
    assert looked_up_v(percent / 100) == pytest.approx(cell_v, abs=1e-4)
    if 0 < percent < 100:  # a pack is never made quite empty or full
        assert even_pack(percent / 100, 0.008).open_v == pytest.approx(pack_v, abs=2e-3)


@pytest.mark.source("PRADA2013", "the same closed form, without the table")
def test_the_table_is_fine_enough() -> None:
    """Between its points it is within 0.1 mV above 1 %, and within 0.2 mV below."""
    at = [i / 99_991 for i in range(99_992)]
    error = {z: abs(looked_up_v(z) - open_circuit_v(z)) for z in at}
    assert max(error[z] for z in at if z > 0.01) < 1e-4
    assert max(error.values()) < 2e-4


@pytest.mark.source("PRADA2013", "297 mV a percent at the full end; the plant lets it go on")
def test_beyond_empty_and_full_the_curve_goes_on_steeply() -> None:
    """An overfull cell rises, an overdrawn one falls: nothing stops at the ends."""
    assert looked_up_v(1.001) - looked_up_v(1.0) == pytest.approx(0.0297, rel=0.02)
    assert looked_up_v(-0.001) < looked_up_v(0.0) - 2e-4
    assert looked_up_v(1.5) > 4.0


@pytest.mark.source("DERIVED", "the area under the curve by the midpoint rule, much finer")
def test_stored_energy_is_the_area_under_the_curve() -> None:
    """At points on and between those of the table."""
    for charge in (0.0, 0.25, 0.61803, 0.999, 1.0):
        steps = 200_000
        h = charge / steps
        area = h * sum(looked_up_v((k + 0.5) * h) for k in range(steps))
        assert stored_v(charge) == pytest.approx(area, abs=1e-7)


@pytest.mark.source(
    "PYBAMM", "equivalent_circuit.Thevenin, 0.4 mOhm, 0.2 mOhm 60 s, 280 Ah, from 70 %"
)
def test_a_cell_goes_through_currents_as_in_pybamm() -> None:
    """Five moments of a charge, a discharge, a charge and a rest; live in pybamm_check.py."""
    for dt_s in (0.5, 1.0, 10.0):
        pack = even_pack(0.70, 0.0004 * CELLS)
        volts = profile_run(pack, dt_s)
        for at_s, cell_v in SPOTS:
            assert volts[round(at_s / dt_s)] == pytest.approx(cell_v, abs=1e-5), at_s
        assert pack.mean_charge() == pytest.approx(0.920238, abs=1e-6)


@pytest.mark.source(
    "DERIVED", "loop from charge to discharge is twice the half-width, once crossed"
)
def test_hysteresis_lags_behind_the_charge_that_passed() -> None:
    """Charging lifts the rest voltage, discharging lowers it; a short reversal only in part."""
    pack = even_pack(0.5, 0.008, hysteresis_v=0.010, hysteresis_charge=0.07)
    for _ in range(3_600):
        pack.pass_current(100.0, 1.0)  # 36 %: five widths
    assert pack.hysteresis_v == pytest.approx(0.160, abs=0.002)
    pack.pass_current(-100.0, 100.0)  # 1 %
    assert 0.08 < pack.hysteresis_v < 0.130
    for _ in range(3_600):
        pack.pass_current(-100.0, 1.0)
    assert pack.hysteresis_v == pytest.approx(-0.160, abs=0.002)
