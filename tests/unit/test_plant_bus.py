"""Which packs carry when paths are open: the plant's active-set loop against trying them all."""

from itertools import product
from random import Random

import pytest

from conformance.plant.bus import Bus

Signs = list[bool]


def by_trying(
    ohm: list[float], emf_v: list[float], total_a: float, charge_open: Signs, discharge_open: Signs
) -> list[float] | None:
    """Return the currents of the one set of carrying packs that contradicts nothing; a star."""
    for carries in product((True, False), repeat=len(ohm)):
        siemens = sum(1 / r for r, c in zip(ohm, carries, strict=True) if c)
        if not siemens:
            continue
        short_a = sum(e / r for r, e, c in zip(ohm, emf_v, carries, strict=True) if c)
        volt = (total_a + short_a) / siemens
        if all(
            c == (not charge if volt > e else not discharge)
            for c, e, charge, discharge in zip(
                carries, emf_v, charge_open, discharge_open, strict=True
            )
        ):
            return [
                (volt - e) / r if c else 0.0 for r, e, c in zip(ohm, emf_v, carries, strict=True)
            ]
    return None


@pytest.mark.parametrize("seed", range(400))
def test_open_paths_are_solved_as_by_trying_every_set(seed: int) -> None:
    """Random banks, any path open, both at once, total of either sign."""
    random = Random(seed)
    count = random.randint(1, 5)
    ohm = [random.uniform(0.005, 0.02) for _ in range(count)]
    emf_v = [53 + random.uniform(-0.5, 0.5) for _ in range(count)]
    charge_open = [random.random() < 0.4 for _ in range(count)]
    discharge_open = [random.random() < 0.4 for _ in range(count)]
    total_a = random.choice([0.0, random.uniform(-200, 200)])
    expected = by_trying(ohm, emf_v, total_a, charge_open, discharge_open)
    found = Bus(ohm).split(emf_v, total_a, charge_open, discharge_open)
    assert found == pytest.approx([0.0] * count if expected is None else expected, abs=1e-5)


@pytest.mark.parametrize("seed", range(100))
def test_a_ladder_with_open_paths_contradicts_nothing(seed: int) -> None:
    """Nobody carries through an open path, and the currents add up where there is a way."""
    random = Random(seed)
    count = random.randint(2, 6)
    bus = Bus([random.uniform(0.005, 0.02) for _ in range(count)], 0.0005)
    emf_v = [53 + random.uniform(-0.5, 0.5) for _ in range(count)]
    charge_open = [random.random() < 0.3 for _ in range(count)]
    discharge_open = [random.random() < 0.3 for _ in range(count)]
    charge_open[0] = discharge_open[0] = False
    total_a = random.uniform(-200, 200)
    currents = bus.split(emf_v, total_a, charge_open, discharge_open)
    assert sum(currents) == pytest.approx(total_a, abs=1e-5)
    for amps, no_charge, no_discharge in zip(currents, charge_open, discharge_open, strict=True):
        assert not (no_charge and amps > 0)
        assert not (no_discharge and amps < 0)


def test_an_open_charge_path_still_discharges() -> None:
    """The body diode: no charge into the pack, but it helps out when the bus sags."""
    bus = Bus([0.010] * 2)
    only_out = [True, False]
    assert bus.split([53.0, 53.0], 100.0, only_out, [False] * 2) == pytest.approx([0.0, 100.0])
    assert bus.split([53.0, 53.0], -100.0, only_out, [False] * 2) == pytest.approx([-50.0, -50.0])
    assert bus.split([53.4, 53.0], 10.0, only_out, [False] * 2) == pytest.approx([-15.0, 25.0])


def test_with_every_path_open_nothing_flows() -> None:
    """Then the bus is dead, or as high as what feeds it."""
    bus = Bus([0.010] * 2)
    open_paths = [True, True]
    assert bus.split([53.0, 53.0], -20.0, open_paths, open_paths) == [0.0, 0.0]
    assert bus.volt == 0.0
    assert bus.split([53.0, 53.0], 20.0, open_paths, open_paths) == [0.0, 0.0]
    assert bus.volt == float("inf")


@pytest.mark.parametrize("segment_ohm", [0.0, 0.0004])
@pytest.mark.parametrize("drop_ohm", [0.0, 0.002])
@pytest.mark.parametrize("charge_open", [[False] * 3, [False, True, False], [True] * 3])
@pytest.mark.parametrize("volt", [52.6, 52.85, 53.4])
def test_a_held_voltage_is_held(
    segment_ohm: float, drop_ohm: float, charge_open: list[bool], volt: float
) -> None:
    """The output found puts the source's own terminals at the voltage, whatever else flows."""
    bus = Bus([0.008, 0.010, 0.012], segment_ohm)
    emf_v, closed = [52.8, 52.9, 52.7], [False] * 3
    output_a = bus.hold_a(emf_v, volt, charge_open, closed, beside_a=-30.0, drop_ohm=drop_ohm)
    if all(charge_open) and output_a > 30.0 - 1e-6:
        assert output_a == pytest.approx(30.0, abs=1e-6)  # nothing else may take it
        return
    bus.split(emf_v, output_a - 30.0, charge_open, closed)
    assert bus.volt + drop_ohm * output_a == pytest.approx(volt, abs=1e-6)


def test_a_pack_that_nobody_may_charge_has_no_most() -> None:
    """All charge paths open: the most is 0, and discharge is not concerned."""
    bus = Bus([0.010] * 2)
    assert bus.most_a([53.0] * 2, [100.0] * 2, [True] * 2, [False] * 2) == 0.0
    assert bus.most_a([53.0] * 2, [100.0] * 2, [True] * 2, [False] * 2, -1) == pytest.approx(200.0)
