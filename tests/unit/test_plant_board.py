"""The simulated board: what makes it open a path, when it closes it again, what it counts."""

from random import Random

import pytest

from aggregator.report import ALARMS
from conformance.plant.board import CHARGE_BY_C, GUARDS, RECLOSE_S, Board, part
from conformance.plant.pack import Pack
from conformance.plant.scenario import HOUR_S, PackModel


class Bench:
    """A pack and its board; what they measure can be set by hand."""

    def __init__(self, **fields: object) -> None:
        model = PackModel(pack="oak", **fields)  # type: ignore[arg-type]  # plain fields
        self.pack = Pack(model, Random(1))
        self.board = Board(model)
        self.now_s = 0.0

    def look(self, seconds: float = 1.0, **measured: float) -> None:
        """Let the board look once a second at what it is shown."""
        for name, value in measured.items():
            setattr(self.pack, name, value)
        for _ in range(round(seconds)):
            self.now_s += 1.0
            self.board.look(self.pack, self.now_s, 1.0)

    def paths(self) -> tuple[bool, bool]:
        """Is the charge path open, is the discharge path?"""
        return self.board.charge_open, self.board.discharge_open


# Guard, what is measured, for how long it is borne, what is calm again, charge path or discharge.
TRIPS = (
    ("cell_over_voltage", {"high_v": 3.651}, 2, {"high_v": 3.39}, (True, False)),
    ("cell_under_voltage", {"low_v": 2.499}, 5, {"low_v": 3.01}, (False, True)),
    ("charge_over_current", {"current_a": 111.5}, 10, {"current_a": 0.0}, (True, False)),
    ("discharge_over_current", {"current_a": -111.5}, 10, {"current_a": 0.0}, (False, True)),
    ("charge_over_temperature", {"temperature_c": 55.1}, 5, {"temperature_c": 49.0}, (True, False)),
    ("charge_under_temperature", {"temperature_c": -0.1}, 5, {"temperature_c": 3.0}, (True, False)),
    ("discharge_over_temperature", {"temperature_c": 60.1}, 5, {"temperature_c": 40.0}, (True, True)),
    (
        "discharge_under_temperature",
        {"temperature_c": -20.1},
        5,
        {"temperature_c": 5.0},
        (True, True),
    ),
)  # fmt: skip
LIMITS = {"charge_limit_a": 100.0, "discharge_limit_a": 100.0}


@pytest.mark.parametrize(("name", "hurts", "delay_s", "calm", "paths"), TRIPS)
def test_each_guard_opens_its_path_in_time_and_closes_it_later(
    name: str,
    hurts: dict[str, float],
    delay_s: int,
    calm: dict[str, float],
    paths: tuple[bool, bool],
) -> None:
    """Not a second early; and only when calm, and after a minute."""
    bench = Bench(**LIMITS)
    bench.look()  # the board's limits of the moment
    bench.look(delay_s - 1, **hurts)
    assert bench.paths() == (False, False)
    assert name in bench.board.warnings()
    bench.look(**hurts)
    assert bench.paths() == paths
    assert name in bench.board.protections()
    assert (bench.now_s, name) in bench.board.trips
    bench.look(RECLOSE_S - 1, **calm)
    assert bench.paths() == paths
    bench.look(2)
    assert bench.paths() == (False, False)
    assert bench.board.protections() == []


def test_every_guard_is_tested_and_named_as_the_core_names_alarms() -> None:
    """The table of guards and the table above have the same rows."""
    assert [row[0] for row in TRIPS] == [guard.name for guard in GUARDS]
    assert {guard.name for guard in GUARDS} <= set(ALARMS)


def test_a_short_excess_is_forgiven() -> None:
    """The delay starts anew: 9 s, a good second, and 9 s more trip nothing."""
    bench = Bench(**LIMITS)
    for _ in range(5):
        bench.look(9, current_a=150.0)
        bench.look(1, current_a=100.0)
    assert bench.board.trips == []


def test_the_quick_variant_trips_after_five_seconds() -> None:
    """`trip_s` concerns both directions."""
    for amps, paths in ((150.0, (True, False)), (-150.0, (False, True))):
        bench = Bench(**LIMITS, trip_s=5.0)
        bench.look(4, current_a=amps)
        assert bench.paths() == (False, False)
        bench.look(1)
        assert bench.paths() == paths


def test_a_path_closes_at_once_when_the_current_turns_round() -> None:
    """After an over-voltage: below 3.40 V and discharging, without waiting for the minute."""
    bench = Bench(**LIMITS)
    bench.look(2, high_v=3.70)
    bench.look(3, high_v=3.45, current_a=-20.0)
    assert bench.paths() == (True, False)
    bench.look(1, high_v=3.39)
    assert bench.paths() == (False, False)


def test_a_high_cell_keeps_the_path_open() -> None:
    """However long, while it is not below 3.40 V."""
    bench = Bench(**LIMITS)
    bench.look(2, high_v=3.70)
    bench.look(3_600, high_v=3.41)
    assert bench.paths() == (True, False)
    assert len(bench.board.trips) == 1


def test_a_tapering_board_trips_at_its_lowered_limit_or_at_its_rating() -> None:
    """At 3.58 V it takes a tenth; 30 A then are too much for one kind of board only."""
    for trips_on_rating, opens in ((False, True), (True, False)):
        bench = Bench(**LIMITS, trips_on_rating=trips_on_rating)
        bench.look(1, high_v=3.58)
        assert bench.board.charge_limit_a == pytest.approx(10.0)
        bench.look(10, current_a=30.0)
        assert bench.board.charge_open is opens


def test_cold_lowers_the_charge_limit_only() -> None:
    """Half at 5 degrees; discharge is full down to freezing."""
    bench = Bench(**LIMITS)
    bench.look(temperature_c=5.0)
    assert bench.board.charge_limit_a == pytest.approx(50.0)
    assert bench.board.discharge_limit_a == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("celsius", "expected"), [(-5, 0), (0, 0), (5, 0.5), (10, 1), (45, 1), (50, 0.5), (80, 0)]
)
def test_a_curve_is_straight_between_and_level_beyond(celsius: float, expected: float) -> None:
    """Points, between, and both sides."""
    assert part(celsius, CHARGE_BY_C) == pytest.approx(expected)


def test_the_counter_drifts_by_its_offset_and_gain() -> None:
    """100 mA too little on 280 Ah: 0.857 % a day; a gain shows with the current."""
    bench = Bench(capacity_ah=280.0, counter_offset_a=-0.1)
    bench.look(24 * HOUR_S, current_a=0.0)
    assert 0.5 - bench.board.counted == pytest.approx(0.00857, abs=1e-5)
    bench = Bench(capacity_ah=280.0, counter_gain=0.98)
    bench.look(HOUR_S, current_a=28.0)
    assert bench.board.counted == pytest.approx(0.5 + 0.098)


def test_the_counter_comes_right_when_full() -> None:
    """High voltage and a small current for a minute, not for less, and not with a large one."""
    bench = Bench(capacity_ah=280.0, counter_error=-0.2)
    bench.look(120, open_v=54.8, current_a=20.0)
    assert bench.board.counted < 0.4
    bench.look(59, current_a=10.0)
    assert bench.board.counted < 0.4
    bench.look(1)
    assert bench.board.counted == 1.0


def test_a_counter_set_up_for_a_higher_end_never_comes_right() -> None:
    bench = Bench(capacity_ah=280.0, counter_error=-0.2, counter_full_v=57.0)
    bench.look(HOUR_S, open_v=54.8, current_a=1.0)
    assert bench.board.counted < 0.4
