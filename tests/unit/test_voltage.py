"""How far the voltage may go: the highest cell, slopes, and the mirror image for discharge."""

import pytest

from aggregator import PackSettings
from aggregator.voltage import Slope
from tests.bank import Site, day


def cell_room(way: str, **words: object) -> tuple[int, str | None]:
    """The extreme-cell cap of one direction, with fir saying `words`, and the pack it names."""
    site = Site("oak", "fir")
    site.says("fir", **words)
    site.runs(5)
    cap = site.caps(way + "_voltage")["extreme_cell"]
    return cap.value, cap.pack


@pytest.mark.parametrize(
    ("cell_mv", "limit_mv"),
    [
        (3_400, 55_600),  # 55.0 V and 150 mV to go
        (3_500, 55_200),
        (3_549, 55_004),
        (3_550, 55_000),  # arrived: the present voltage
        (3_551, 54_996),  # beyond: below it, without a cliff
        (3_650, 54_600),
    ],
)
def test_every_millivolt_might_land_in_the_highest_cell(cell_mv: int, limit_mv: int) -> None:
    """Pack voltage plus four times what its highest cell has left: no band, no cliff."""
    assert cell_room("charge", voltage_mv=55_000, cell_max_mv=cell_mv) == (
        min(limit_mv, 53_940),
        "fir" if limit_mv < 53_940 else "oak",
    )
    alone = Site("fir")
    alone.says(voltage_mv=55_000, cell_max_mv=cell_mv)
    alone.runs(5)
    assert alone.caps("charge_voltage")["extreme_cell"].value == limit_mv


@pytest.mark.parametrize(
    ("cell_mv", "limit_mv"),
    [(2_900, 46_200), (2_700, 47_000), (2_600, 47_400)],
)
def test_the_lowest_cell_mirrors_it(cell_mv: int, limit_mv: int) -> None:
    """Pack voltage less four times what its lowest cell has above its floor."""
    site = Site("fir")
    site.says(voltage_mv=47_000, cell_min_mv=cell_mv)
    site.runs(5)
    assert site.caps("discharge_voltage")["extreme_cell"].value == limit_mv


@pytest.mark.parametrize(("cell_mv", "stage"), [(3_499, "bulk"), (3_500, "absorption")])
def test_a_cell_near_its_ceiling_has_arrived(cell_mv: int, stage: str) -> None:
    """50 mV below its ceiling, and not a millivolt sooner, one cell ends bulk for the whole bank."""
    site = day()
    site.says("fir", cell_max_mv=cell_mv)
    site.runs(15)
    assert site.view.stage == stage


@pytest.mark.parametrize("way", ["charge", "discharge"])
def test_a_removed_pack_bounds_no_voltage(way: str) -> None:
    """While fir is only silent its cells and its own limit still bind; removed, neither does, and its
    cell has not arrived anywhere."""
    site = day()
    site.says("fir", cell_max_mv=3_540, cell_min_mv=2_710)
    site.says("fir", charge_voltage_limit_mv=53_100, discharge_voltage_limit_mv=52_900)
    site.runs(1)
    site.falls_silent("fir")
    site.runs(31)
    rules = ("own_limit", "extreme_cell")
    assert [site.caps(way + "_voltage")[rule].pack for rule in rules] == ["fir", "fir"]
    site.asks("declare_removed", pack="fir")
    site.asks("start_bulk")
    site.runs(60)
    assert [site.caps(way + "_voltage")[rule].pack for rule in rules] == ["oak", "oak"]
    assert site.view.stage == "bulk"


def test_each_pack_has_its_own_cell_ceiling() -> None:
    """A pack with a lower ceiling binds, though its highest cell is not the highest."""
    gentle = PackSettings("fir", cell_ceiling_mv=3_450, capacity_mah=100_000)
    site = Site("oak", gentle)
    site.says("oak", cell_max_mv=3_400)
    site.says("fir", cell_max_mv=3_390)
    site.runs(5)
    cap = site.caps("charge_voltage")["extreme_cell"]
    assert (cap.value, cap.pack) == (53_000 + 4 * 60, "fir")


def test_unknown_cells_do_not_limit_the_voltage() -> None:
    """They stop the current instead; a voltage needs something to hold on to."""
    site = Site("oak")
    site.says(cell_max_mv=None, cell_min_mv=None)
    site.runs(60)
    assert "extreme_cell" not in site.caps("charge_voltage")
    assert site.view.charge_current_limit_ma == 0


def test_a_voltage_limit_stays_in_the_range_of_voltages() -> None:
    """Nonsense from a cell sensor does not make a negative charge voltage."""
    site = Site("oak")
    site.says(voltage_mv=0, cell_max_mv=5_000)
    assert site.runs(5).charge_voltage_limit_mv == 0


def test_limits_start_at_the_limp_voltages() -> None:
    """Before anything is heard chargers get 53.12 V and loads 49.6 V."""
    site = Site("oak")
    assert site.view.charge_voltage_limit_mv == 53_120
    assert site.view.discharge_voltage_limit_mv == 49_600
    assert site.binding("charge_voltage") == ("limp", "oak")


def high(**settings: object) -> Site:
    """A bank that is near its absorption voltage, its limit all the way up at 55.2 V."""
    site = Site("oak", "fir", **settings)
    site.says(voltage_mv=54_800, cell_max_mv=3_437)
    site.runs(60)
    assert site.view.charge_voltage_limit_mv == 55_200
    return site


def test_a_protective_fall_is_immediate() -> None:
    """A cell beyond its ceiling takes the voltage down in one step."""
    site = high()
    site.says("fir", cell_max_mv=3_600)
    assert site.runs(1).charge_voltage_limit_mv == 54_800 - 200


def test_a_wish_falls_along_the_slope() -> None:
    """A tenth of a volt a second: some chargers trip on a sudden fall."""
    site = high()
    site.asks("cap_charge_voltage", value=54_000)
    falls = [site.runs(1).charge_voltage_limit_mv for _ in range(13)]
    assert falls[:3] == [55_100, 55_000, 54_900]
    assert falls[-2:] == [54_000, 54_000]


def test_the_slope_can_be_set() -> None:
    """At 30 mV a second and a quarter of a second a step, what is less than 1 mV is carried."""
    site = high(voltage_slope_mv_per_s=30)
    site.asks("cap_charge_voltage", value=54_000)
    assert site.runs(1, every_s=0.25).charge_voltage_limit_mv == 55_170


def test_a_wish_above_the_limit_changes_nothing() -> None:
    """A wish only narrows."""
    site = high()
    site.asks("cap_charge_voltage", value=56_000)
    site.runs(30)
    assert site.view.charge_voltage_limit_mv == 55_200


def test_a_voltage_rises_by_the_ramp() -> None:
    """Once a wish is cleared the limit climbs by 100 mV a second."""
    site = high()
    site.asks("cap_charge_voltage", value=54_000)
    site.runs(20)
    site.asks("clear", field="cap_charge_voltage")
    assert [site.runs(1).charge_voltage_limit_mv for _ in range(2)] == [54_100, 54_200]


def test_a_silent_pack_brings_both_voltages_to_limp() -> None:
    """What a full pack hardly takes, and what an empty one hardly gives."""
    site = high()
    site.says(voltage_mv=47_000, cell_min_mv=2_900, cell_max_mv=2_950)
    site.runs(60)
    site.falls_silent("fir")
    view = site.runs(31)
    assert view.charge_voltage_limit_mv <= 53_120
    assert view.discharge_voltage_limit_mv == 49_600


# A slope by itself: one millivolt a second, so that a millisecond is a thousandth of a millivolt.


def falls(slope: Slope, *steps_ms: int, target_mv: int = 0) -> list[int | None]:
    """Where it is after each step towards a target."""
    values = []
    for dt_ms in steps_ms:
        slope.follow(target_mv, 100, 1, dt_ms)
        values.append(slope.value)
    return values


def test_a_slope_pays_out_whole_millivolts_and_keeps_the_rest() -> None:
    """999 ms earn nothing yet, the next millisecond earns the whole, and so on."""
    assert falls(Slope(), 999, 1, 999, 1, 1_500, 1_499, 1) == [100, 99, 99, 98, 97, 96, 95]


def test_a_slope_counts_no_more_than_a_minute_at_a_time() -> None:
    """After a gap of hours it has fallen by one minute's worth, to the millisecond."""
    assert falls(Slope(), 59_999, 1) == [41, 40]
    assert falls(Slope(), 60_001, 999) == [40, 40]
    assert falls(Slope(), 7_200_000, 1_000) == [40, 39]


def test_a_slope_that_has_arrived_keeps_nothing() -> None:
    """What was earned beyond the target is gone, whether it rests there or rises."""
    for then_mv, rests_mv in ((99, 99), (103, 103)):
        slope = Slope()
        assert falls(slope, 1_500, target_mv=99) == [99]
        assert falls(slope, 0, target_mv=then_mv) == [rests_mv]
        assert falls(slope, 999, 1) == [rests_mv, rests_mv - 1]


def test_a_slope_starts_where_the_limit_is_and_stops_at_the_target() -> None:
    """From 100 mV down; a target above is taken at once; without a target there is no value."""
    assert falls(Slope(), 0, 500, 1_000, target_mv=99) == [100, 100, 99]
    assert falls(Slope(), 0, target_mv=100) == [100]
    assert falls(Slope(), 0, target_mv=101) == [101]
    slope = Slope()
    assert slope.value is None
    falls(slope, 5_000)
    slope.follow(None, 100, 1, 1_000)
    assert slope.value is None
    assert falls(slope, 0) == [100]


@pytest.mark.parametrize(("voltage_mv", "stage"), [(53_849, "bulk"), (53_850, "absorption")])
def test_the_target_is_reached_where_the_installer_ends_it(voltage_mv: int, stage: str) -> None:
    """With a ceiling of 54.0 V below the 55.2 V of bulk, the bank has arrived 150 mV below the ceiling."""
    site = Site("oak", "fir", charge_voltage_ceiling_mv=54_000).is_ready()
    site.says(voltage_mv=voltage_mv)
    site.runs(15)
    assert site.view.stage == stage
