"""How currents split, and the most that may flow: textbook, closed forms and worked examples."""

import pytest

from conformance.plant.bus import Bus
from tests.reference.runs import affine_a, affine_run, knee_bank, run

EX1_OHM = [0.008, 0.010, 0.016]
CLOSED = [False] * 3
SECOND_OPEN = [False, True, False]


@pytest.mark.source(
    "MILLMAN", "Lessons in Electric Circuits, DC, Millman's Theorem: 28 V, 0 V, 7 V"
)
def test_millmans_example() -> None:
    """28 V behind 4 ohm, nothing behind 2 ohm, 7 V behind 1 ohm: 8 V, and the first gives 5 A."""
    bus = Bus([4.0, 2.0, 1.0])
    currents = bus.split([28.0, 0.0, 7.0], 0.0, CLOSED, CLOSED)
    assert bus.volt == pytest.approx(8.0)
    assert currents == pytest.approx([-5.0, 4.0, 1.0])


@pytest.mark.source("DERIVED", "min over packs of L_i / s_i; without pack 2: of the two others")
def test_the_most_of_unequal_resistances() -> None:
    """EX1 with 100 A each: the sum is 300 A, safe are 230 A, and 150 A when the second is lost."""
    bus = Bus(EX1_OHM)
    most_a = bus.most_a([52.8] * 3, [100.0] * 3, CLOSED, CLOSED)
    assert most_a == pytest.approx(230.0)
    assert bus.split([52.8] * 3, most_a, CLOSED, CLOSED)[0] == pytest.approx(100.0)
    assert bus.most_a([52.8] * 3, [100.0] * 3, SECOND_OPEN, CLOSED) == pytest.approx(150.0)


@pytest.mark.source("DERIVED", "min over packs of (L_i - c_i) / s_i, both ways")
def test_the_most_of_unequal_emfs() -> None:
    """EX2 with 100 A each: 250 A of charge, 275 A of discharge."""
    bus = Bus([0.010] * 3)
    emf_v = [52.80, 52.80, 52.55]
    assert bus.most_a(emf_v, [100.0] * 3, CLOSED, CLOSED) == pytest.approx(250.0)
    assert bus.most_a(emf_v, [100.0] * 3, CLOSED, CLOSED, -1) == pytest.approx(275.0)


@pytest.mark.source("DERIVED", "idle, the low pack takes 166.7 A")
def test_circulation_alone_may_exceed_a_limit() -> None:
    """Then no total protects it: the most is negative."""
    bus = Bus([0.010] * 3)
    emf_v = [54.0, 54.0, 51.5]
    assert bus.split(emf_v, 0.0, CLOSED, CLOSED)[2] == pytest.approx(166.667, abs=1e-3)
    assert bus.most_a(emf_v, [100.0] * 3, CLOSED, CLOSED) == pytest.approx(-200.0)


@pytest.mark.source("DERIVED", "V = Ebar + I / G at the voltage limit")
@pytest.mark.parametrize(("volt", "most_a"), [(53.0, 57.5), (53.4, 172.5), (55.0, 230.0)])
def test_the_voltage_limit_joins_in(volt: float, most_a: float) -> None:
    """EX1: 287.5 S in all, 0.2 V above the EMF are 57.5 A."""
    bus = Bus(EX1_OHM)
    found = bus.most_a([52.8] * 3, [100.0] * 3, CLOSED, CLOSED, 1, volt)
    assert found == pytest.approx(most_a)


@pytest.mark.source("DERIVED", "the definition: nobody above, somebody at the limit")
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("segment_ohm", [0.0, 0.0004])
def test_at_the_most_somebody_is_at_the_limit(sign: int, segment_ohm: float) -> None:
    """On a star and on a ladder, both ways, with unequal everything."""
    bus = Bus([0.008, 0.013, 0.010], segment_ohm)
    emf_v, limits = [52.7, 53.0, 52.8], [80.0, 60.0, 120.0]
    most_a = bus.most_a(emf_v, limits, CLOSED, CLOSED, sign)
    currents = bus.split(emf_v, sign * most_a, CLOSED, CLOSED)
    spare = [limit - sign * a for limit, a in zip(limits, currents, strict=True)]
    assert min(spare) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.source(
    "DERIVED", "Thevenin from the far end, 8 mOhm packs, 0.4 mOhm segments, 70 A each"
)
@pytest.mark.parametrize(
    "currents",
    [[71.7, 68.3], [75.57, 68.85, 65.57], [81.4, 71.5, 65.1, 62.0]],
    ids=["two", "three", "four"],
)
def test_a_ladder_loads_its_near_end(currents: list[float]) -> None:
    """The longer the ladder, the more the first pack carries."""
    count = len(currents)
    bus = Bus([0.008] * count, 0.0004)
    found = bus.split([52.8] * count, 70.0 * count, [False] * count, [False] * count)
    assert found == pytest.approx(currents, abs=0.06)
    assert sum(found) == pytest.approx(70.0 * count)


@pytest.mark.source("DERIVED", "the same, six packs: 97.95 .. 53.2 A, 1.40 times the mean")
def test_six_on_a_ladder() -> None:
    """Nearly half of the first pack's current is too much."""
    bus = Bus([0.008] * 6, 0.0004)
    found = bus.split([52.8] * 6, 420.0, [False] * 6, [False] * 6)
    assert [found[0], found[-1]] == pytest.approx([97.95, 53.2], abs=0.05)


@pytest.mark.source("DERIVED", "(V_bus - E_i) / (R_i + 1 / G_others)")
def test_rejoining_inrush() -> None:
    """Half a volt lower, 10 mOhm into two of 10 mOhm: 33.3 A."""
    bus = Bus([0.010] * 3)
    assert bus.split([53.0, 53.0, 52.5], 0.0, CLOSED, CLOSED)[2] == pytest.approx(33.333, abs=1e-3)


@pytest.mark.source("DERIVED", "tau = (R1 + R2) / (k (1/Q1 + 1/Q2)) = 126 s")
def test_two_packs_settle_as_the_closed_form_says() -> None:
    """From conductance to capacity: 60 A, 53.68 A after one time constant, 50 A."""
    assert affine_a(126) == pytest.approx(53.67879, abs=1e-5)
    for dt_s, most_a in ((1.0, 0.02), (0.5, 0.01)):
        rows = affine_run(600, dt_s)
        errors = [abs(rows[round(t / dt_s)][1] - affine_a(t)) for t in range(601)]
        assert max(errors) < most_a
    assert affine_run(600, 0.1)[6_000][1] == pytest.approx(50.08549, abs=3e-4)


@pytest.mark.source(
    "NGSPICE", "knee.cir at these times, from an earlier run; live in test_plant_spice"
)
def test_the_laggard_takes_over_at_the_knee() -> None:
    """From 37 % of the total to 91 %, and past 100 A, though it is the stiffer pack."""
    rows = run(knee_bank(), 1_500, total_a=150.0)
    expected = {
        10: (94.20, 55.80, 53.827), 600: (89.07, 60.93, 54.074), 900: (71.84, 78.16, 54.360),
        1_200: (19.57, 130.43, 55.301), 1_320: (13.53, 136.47, 55.634),
        1_500: (47.54, 102.46, 57.451),
    }  # fmt: skip
    for at_s, (first_a, second_a, volt) in expected.items():
        assert rows[at_s][1:] == pytest.approx([first_a, second_a], abs=0.2), at_s
        assert rows[at_s][0] == pytest.approx(volt, abs=0.002), at_s


@pytest.mark.source("DERIVED", "the same bank, solved with numpy, held at a voltage")
@pytest.mark.parametrize(("volt", "peak_a"), [(55.2, 125.9), (56.0, 136.7)])
def test_a_voltage_limit_softens_the_laggards_peak(volt: float, peak_a: float) -> None:
    """150 A until the bus is there."""
    rows = run(knee_bank(), 2_400, total_a=150.0, volt=volt)
    assert max(row[2] for row in rows) == pytest.approx(peak_a, abs=0.3)


@pytest.mark.source("DERIVED", "the same bank, solved with numpy, held at 55.2 V")
def test_a_small_total_does_not_mean_that_all_are_full() -> None:
    """The total has fallen to 0.05 C when one pack still takes all of it, twice its own tail."""
    rows = run(knee_bank(), 3_000, total_a=150.0, volt=55.2)
    late = range(600, 3_000)
    total = next(t for t in late if rows[t][1] + rows[t][2] <= 28.0)
    assert rows[total][1:] == pytest.approx([0.1, 27.8], abs=0.2)
    each = next(t for t in late if rows[t][1] <= 14.0 and rows[t][2] <= 14.0)
    assert each - total == pytest.approx(70, abs=5)
