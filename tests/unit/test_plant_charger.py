"""The simulated charger: late, slow, and obedient; sun and loads by seed."""

from itertools import pairwise
from random import Random

import pytest

from conformance.plant.charger import Charger, Command
from conformance.plant.scenario import HOUR_S, ChargerModel, LoadModel, SunModel
from conformance.plant.weather import SKIES, Load, Sun

BRIGHT_A = 500.0


def outputs(charger: Charger, first_s: int, seconds: int, **now: float) -> list[float]:
    """Run a charger by the second, with nothing in the way of its output."""
    found = []
    for now_s in range(first_s, first_s + seconds):
        sun_a, load_a = now.get("sun_a", BRIGHT_A), now.get("load_a", 0.0)
        charger.output_a = charger.want_a(now_s, 1.0, sun_a, load_a)
        found.append(charger.output_a)
    return found


def test_a_command_is_obeyed_after_the_latency_and_at_the_slew_rate() -> None:
    """7 s of nothing, then 10 A more every second up to 35 A."""
    charger = Charger(ChargerModel(latency_s=7.0))
    charger.tell(0.0, Command(35.0, 55.2, True))
    assert outputs(charger, 0, 13) == [0.0] * 7 + [10.0, 20.0, 30.0, 35.0, 35.0, 35.0]


def test_it_falls_faster_than_it_rises() -> None:
    """50 A less every second."""
    charger = Charger(ChargerModel(latency_s=0.0))
    charger.output_a = 180.0
    charger.tell(0.0, Command(20.0, 55.2, True))
    assert outputs(charger, 0, 5) == [130.0, 80.0, 30.0, 20.0, 20.0]


def test_when_the_sun_goes_it_falls_at_once() -> None:
    """There is nothing to ramp with."""
    charger = Charger(ChargerModel(latency_s=0.0))
    charger.tell(0.0, Command(200.0, 55.2, True))
    charger.output_a = 180.0
    assert outputs(charger, 0, 1, sun_a=40.0) == [40.0]


def test_a_denial_stops_it() -> None:
    """Whatever the amperes beside it say."""
    charger = Charger(ChargerModel(latency_s=0.0))
    charger.output_a = 40.0
    charger.tell(0.0, Command(200.0, 55.2, False))
    assert outputs(charger, 0, 2) == [0.0, 0.0]


@pytest.mark.parametrize(("limits", "expected"), [("battery", 60.0), ("output", 40.0)])
def test_what_it_limits(limits: str, expected: float) -> None:
    """40 A into the battery with 20 A of loads: 60 A of output, or 40 A of it."""
    charger = Charger(ChargerModel(latency_s=0.0, limits=limits))
    charger.tell(0.0, Command(40.0, 55.2, True))
    assert outputs(charger, 0, 10, load_a=20.0)[-1] == expected


def test_commands_keep_their_order() -> None:
    """Each arrives after the same latency; the newest that has arrived counts."""
    charger = Charger(ChargerModel(latency_s=3.0, rise_a_per_s=1_000.0))
    for now_s, amps in ((0, 10.0), (1, 20.0), (2, 5.0)):
        charger.tell(now_s, Command(amps, 55.2, True))
    assert outputs(charger, 0, 7) == [0.0, 0.0, 0.0, 10.0, 20.0, 5.0, 5.0]


def test_it_gives_up_when_it_hears_nothing() -> None:
    """With a watchdog; without one it goes on for ever."""
    for gives_up_s, at_end_a in ((30.0, 0.0), (0.0, 25.0)):
        charger = Charger(ChargerModel(latency_s=0.0, gives_up_s=gives_up_s))
        charger.tell(0.0, Command(25.0, 55.2, True))
        found = outputs(charger, 0, 40)
        assert (found[29], found[-1]) == (25.0, at_end_a)


def test_ignoring_means_everything_but_the_sun_and_its_own_ceiling() -> None:
    """As a charger does that lost its configuration."""
    charger = Charger(ChargerModel(latency_s=0.0, rise_a_per_s=1_000.0, ceiling_a=300.0))
    charger.tell(0.0, Command(0.0, 55.2, False))
    assert charger.want_a(0.0, 1.0, BRIGHT_A, 0.0, ignores=True) == 300.0


def test_the_sun_is_half_a_sine() -> None:
    """Dark before 06:30 and after 17:30, the peak at noon."""
    sun = Sun(SunModel(peak_a=300.0), Random(1))
    at = {hour: sun.amps(hour * HOUR_S, 1.0) for hour in (6.5, 9.25, 12.0, 14.75, 17.5, 23.0)}
    assert at[12.0] == pytest.approx(300.0)
    assert (at[9.25], at[14.75]) == pytest.approx((300.0 / 2**0.5, 300.0 / 2**0.5))
    assert at[6.5] == at[17.5] == at[23.0] == 0.0


def test_clouds_come_by_seed_and_pass_smoothly() -> None:
    """The same seed the same sky, another seed another; never a jump."""

    def sky(seed: int) -> list[float]:
        sun = Sun(SunModel(cloudy=True), Random(seed))
        found = []
        for _ in range(3_600):
            sun.amps(12 * HOUR_S, 1.0)
            found.append(sun.shown)
        return found

    one = sky(1)
    assert one == sky(1)
    assert one != sky(2)
    assert min(one) < 0.5
    assert max(one) > 0.9
    steepest = max(abs(after - before) for before, after in pairwise(one))
    assert steepest < (1 - min(SKIES)) / 10 + 1e-9


def test_loads_come_by_seed_in_working_hours() -> None:
    """A base of 12 to 18 A, the evening's 25 A more, machines only while there is work."""

    def loads(seed: int) -> list[float]:
        load = Load(LoadModel(working_h=[8.0, 12.0], steps_per_h=20.0), Random(seed))
        return [load.amps(float(s), 1.0) for s in range(24 * 3_600)]

    day = loads(3)
    assert day == loads(3)
    assert day != loads(4)
    night, evening = day[: 8 * 3_600], day[19 * 3_600 : 22 * 3_600]
    assert min(night) >= 12.0
    assert max(night) <= 18.0
    assert min(evening) >= 37.0
    assert max(day[8 * 3_600 : 12 * 3_600]) > 40.0
