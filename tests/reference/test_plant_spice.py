"""The plant against ngspice, run live on the netlists beside this file."""

from pathlib import Path

import pytest

from conformance.plant.bus import Bus
from tests.reference import spice
from tests.reference.runs import Row, affine_run, even_pack, knee_bank, run

CLOSED = [False] * 3


@pytest.mark.source("NGSPICE", "three_resistances.cir, live")
def test_resistances_share_as_in_ngspice(tmp_path: Path) -> None:
    """200 A over 8, 10 and 16 mOhm."""
    (point,) = spice.points("three_resistances", tmp_path)
    bus = Bus([0.008, 0.010, 0.016])
    currents = bus.split([52.8] * 3, 200.0, CLOSED, CLOSED)
    assert [bus.volt, *currents] == pytest.approx(list(point.values()), abs=1e-6)
    assert currents == pytest.approx([86.95652174, 69.56521739, 43.47826087], abs=1e-6)


@pytest.mark.source("NGSPICE", "three_emfs.cir, live")
def test_emfs_share_as_in_ngspice(tmp_path: Path) -> None:
    """The low pack takes more in charge, gives less in discharge, and circulates when idle."""
    found = spice.points("three_emfs", tmp_path)
    assert len(found) == 3
    bus = Bus([0.010] * 3)
    for total_a, point in zip((60.0, 0.0, -60.0), found, strict=True):
        currents = bus.split([52.80, 52.80, 52.55], total_a, CLOSED, CLOSED)
        assert [bus.volt, *currents] == pytest.approx(list(point.values()), abs=1e-6)


@pytest.mark.source("NGSPICE", "ladder.cir, live")
def test_a_ladder_shares_as_in_ngspice(tmp_path: Path) -> None:
    """210 A into three equal packs, fed at the near end."""
    (point,) = spice.points("ladder", tmp_path)
    bus = Bus([0.008] * 3, 0.0004)
    currents = bus.split([52.8] * 3, 210.0, CLOSED, CLOSED)
    assert currents == pytest.approx([point[f"i(v{x})"] for x in "abc"], abs=1e-6)
    assert bus.volt == pytest.approx(point["v(t0)"], abs=1e-6)


@pytest.mark.source("NGSPICE", "dropout.cir, live")
def test_a_pack_that_opens_hands_its_current_on(tmp_path: Path) -> None:
    """280 A on three packs of 10 mOhm, then on two: 93.3 to 140 A each, and +467 mV."""
    rows = spice.series("dropout", tmp_path)
    bus = Bus([0.010] * 3)
    third_opens = [False, False, True]
    before = bus.split([53.0] * 3, 280.0, CLOSED, CLOSED)
    before_v = bus.volt
    after = bus.split([53.0] * 3, 280.0, third_opens, CLOSED)
    assert [before_v, *before] == pytest.approx(rows[5], abs=2e-4)  # its switch has 10 nOhm
    assert [bus.volt, *after] == pytest.approx(rows[15], abs=1e-5)
    assert bus.volt - before_v == pytest.approx(0.466667, abs=1e-6)


@pytest.mark.source("NGSPICE", "affine.cir, live")
def test_shares_move_from_resistance_to_capacity_as_in_ngspice(tmp_path: Path) -> None:
    """Two packs with a straight curve, ten minutes at 100 A."""
    rows = spice.series("affine", tmp_path)
    ours = affine_run(600, 0.1)
    for at_s in (0, 60, 126, 300, 600):
        assert ours[at_s * 10] == pytest.approx(rows[at_s], abs=2e-3)


@pytest.mark.source("NGSPICE", "knee.cir, live")
def test_the_knee_is_passed_as_in_ngspice(tmp_path: Path) -> None:
    """At the 1 s step: every second within 0.2 A and 2 mV, over the steep end of the curve."""
    rows = spice.series("knee", tmp_path)
    ours = run(knee_bank(), 1_500, total_a=150.0)
    volt_error = max(abs(ours[t][0] - rows[t][0]) for t in range(10, 1_500))
    current_error = max(abs(ours[t][2] - rows[t][2]) for t in range(10, 1_500))
    assert len(rows) == 1_501
    assert current_error < 0.2
    assert volt_error < 0.002


@pytest.mark.source("NGSPICE", "knee.cir, live")
def test_half_the_step_halves_the_error(tmp_path: Path) -> None:
    """The plant is of first order: its error at the knee is that of its step."""
    rows = spice.series("knee", tmp_path)
    error_a = {
        dt_s: _worst_a(run(knee_bank(), 1_500, dt_s, total_a=150.0), rows, dt_s)
        for dt_s in (0.5, 1.0, 2.0)
    }
    assert error_a[0.5] / error_a[1.0] == pytest.approx(0.5, abs=0.05)
    assert error_a[2.0] / error_a[1.0] == pytest.approx(2.0, abs=0.1)


def _worst_a(ours: list[Row], rows: dict[int, Row], dt_s: float) -> float:
    """Return the largest difference of a pack's current, looked at every ten seconds."""
    return max(
        abs(ours[round(t / dt_s)][i] - rows[t][i]) for t in range(10, 1_500, 10) for i in (1, 2)
    )


@pytest.mark.source("NGSPICE", "held_voltage.cir, live")
def test_a_held_voltage_fills_packs_as_in_ngspice(tmp_path: Path) -> None:
    """At 55.2 V each pack fills on its own, diving from 200 A: within 0.8 A at a 1 s step, half of
    that at half the step, and within 0.01 A in the tail."""
    rows = spice.series("held_voltage", tmp_path)

    def filled(dt_s: float) -> list[Row]:
        bank = [even_pack(0.98, 0.008), even_pack(0.96, 0.014)]
        return run(bank, 1_500, dt_s, volt=55.2)

    ours = filled(1.0)
    error_a = _worst_a(ours, rows, 1.0)
    assert error_a < 0.8
    assert _worst_a(filled(0.5), rows, 0.5) / error_a == pytest.approx(0.5, abs=0.05)
    assert max(abs(ours[t][i] - rows[t][i]) for t in range(900, 1_500) for i in (1, 2)) < 0.01
