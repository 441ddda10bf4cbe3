"""Sums, extremes and charge-weighted values: the packs as one battery."""

import pytest

from aggregator import PackSettings
from tests.bank import Site, two


def test_voltage_is_the_mean_of_live_packs() -> None:
    """Mean rounded down, lowest and highest; a pack that does not say is left out."""
    view = two({"voltage_mv": 53_001}, {"voltage_mv": 53_120}).view
    assert (view.voltage_mv, view.voltage_min_mv, view.voltage_max_mv) == (53_060, 53_001, 53_120)
    view = two({"voltage_mv": None}, {"voltage_mv": 53_120}).view
    assert (view.voltage_mv, view.voltage_min_mv, view.voltage_max_mv) == (53_120, 53_120, 53_120)


def test_a_late_pack_has_no_say_in_the_voltage() -> None:
    """The mean is over live packs only."""
    site = two({"voltage_mv": 53_000}, {"voltage_mv": 54_000})
    site.falls_silent("fir")
    site.runs(15)
    assert site.view.voltage_mv == 53_000


@pytest.mark.parametrize(
    ("current_ma", "power_w"), [(32_000, 1_699), (0, 0), (-32_000, -1_700), (10, 0)]
)
def test_power_is_rounded_down(current_ma: int, power_w: int) -> None:
    """53.12 V times 32 A is 1699.84 W; discharge is negative and rounds away from 0."""
    site = Site("oak")
    site.says(voltage_mv=53_120, current_ma=current_ma)
    assert site.runs(5).power_w == power_w


def test_currents_add_up_with_their_signs() -> None:
    """What one pack takes and the other gives is the bank's total."""
    assert two({"current_ma": 30_000}, {"current_ma": -12_000}).view.current_ma == 18_000


def test_an_unknown_current_leaves_the_total_unknown() -> None:
    """Half a sum is no sum: current and power are unknown unless a bus meter tells them."""
    view = two({"current_ma": 30_000}, {"current_ma": None}).view
    assert view.current_ma is None
    assert view.power_w is None


def test_nobody_heard_means_nothing_known() -> None:
    """Before the first readings every quantity is unknown, and nothing is allowed."""
    view = Site("oak", "fir").view
    for name in ("voltage_mv", "current_ma", "power_w", "soc_permille", "remaining_mah"):
        assert getattr(view, name) is None, name
    for name in ("voltage_min_mv", "voltage_max_mv", "soc_min_permille", "soc_max_permille"):
        assert getattr(view, name) is None, name
    for name in ("cell_min_mv", "cell_max_mv", "temperature_min_decic", "soh_permille"):
        assert getattr(view, name) is None, name
    assert view.capacity_mah == 0
    assert view.partial is True
    assert view.charge_allowed is False


def test_state_of_charge_is_weighted_by_capacity() -> None:
    """300 Ah at 90 % and 100 Ah at 50 % are 400 Ah at 80 %."""
    oak = {"capacity_mah": 300_000, "soc_permille": 900}
    view = two(oak, {"capacity_mah": 100_000, "soc_permille": 500}).view
    assert view.soc_permille == 800
    assert (view.soc_min_permille, view.soc_max_permille) == (500, 900)
    assert (view.capacity_mah, view.remaining_mah) == (400_000, 320_000)
    assert view.partial is False


def test_state_of_charge_is_full_only_when_all_are() -> None:
    """999 permille of the smaller pack keep the bank from 1000."""
    oak = {"capacity_mah": 300_000, "soc_permille": 1_000}
    assert two(oak, {"capacity_mah": 10_000, "soc_permille": 999}).view.soc_permille == 999
    assert two(oak, {"capacity_mah": 10_000, "soc_permille": 1_000}).view.soc_permille == 1_000


def test_a_pack_without_a_charge_counts_for_capacity_only() -> None:
    """A pack that does not say its charge leaves the weighted mean to the others, flagged."""
    oak = {"capacity_mah": 300_000, "soc_permille": 900}
    view = two(oak, {"capacity_mah": 100_000, "soc_permille": None}).view
    assert (view.soc_permille, view.capacity_mah, view.partial) == (900, 400_000, True)


def test_the_reported_capacity_beats_the_nameplate() -> None:
    """Present full capacity from the report, else the one from the settings, else unknown."""
    site = Site(PackSettings("oak", capacity_mah=280_000))
    assert site.runs(5).capacity_mah == 280_000
    site.says(capacity_mah=251_300)
    assert site.runs(1).capacity_mah == 251_300
    site.says(capacity_mah=None)
    assert site.runs(1).capacity_mah == 280_000
    nameless = Site(PackSettings("oak"))
    assert nameless.runs(5).capacity_mah == 0
    assert nameless.view.soc_permille is None
    assert nameless.view.partial is True


def test_extreme_cells_and_sensors_name_their_pack() -> None:
    """The lowest and highest cell, its number, and the coldest and hottest pack."""
    oak = {"cell_min_mv": 3_300, "cell_min_no": 4, "cell_max_no": 9, "temperature_max_decic": 260}
    fir = {"cell_max_mv": 3_340, "cell_min_no": 2, "cell_max_no": 16, "temperature_min_decic": 150}
    view = two(oak, fir).view
    assert (view.cell_min_mv, view.cell_min_pack, view.cell_min_no) == (3_300, "oak", 4)
    assert (view.cell_max_mv, view.cell_max_pack, view.cell_max_no) == (3_340, "fir", 16)
    assert (view.temperature_min_decic, view.temperature_min_pack) == (150, "fir")
    assert (view.temperature_max_decic, view.temperature_max_pack) == (260, "oak")


def test_extremes_are_taken_from_the_list_where_they_are_unknown() -> None:
    """A list of cells gives both extremes and where they are, counted from 1."""
    cells = [3_320] * 16
    cells[2] = 3_301
    cells[11] = 3_333
    unsaid = {"cell_min_mv": None, "cell_max_mv": None, "cells_mv": cells}
    view = two(unsaid, {}).view
    assert (view.cell_min_mv, view.cell_min_pack, view.cell_min_no) == (3_301, "oak", 3)
    assert (view.cell_max_mv, view.cell_max_pack, view.cell_max_no) == (3_333, "oak", 12)


def test_a_stated_extreme_beats_the_list_and_is_found_in_it() -> None:
    """A pack that says more extreme values than its list shows is believed."""
    cells = [3_320] * 15 + [3_330]
    view = two({"cell_min_mv": 3_305, "cell_max_mv": 3_330, "cells_mv": cells}, {}).view
    assert (view.cell_min_mv, view.cell_min_no) == (3_305, None)
    assert (view.cell_max_mv, view.cell_max_no) == (3_330, 16)


def test_a_cells_number_is_taken_as_it_is_said() -> None:
    """Where cells tie, the board knows which it means; the list tells only what the report leaves open."""
    site = Site("oak")
    cells_mv = [3_310, 3_300, 3_300, 3_330, 3_330, *[3_310] * 11]
    said = {"cell_min_mv": None, "cell_max_mv": None, "cells_mv": cells_mv}
    for low_no, high_no in ((3, 5), (None, 5), (3, None), (None, None), (9, 9)):
        site.says(**said, cell_min_no=low_no, cell_max_no=high_no)
        view = site.runs(4)
        assert (view.cell_min_no, view.cell_max_no) == (low_no or 2, high_no or 4)


def test_no_cell_has_no_number() -> None:
    """Where no pack is left to have a lowest cell, there is no number of it either."""
    site = Site("oak")
    site.says(cell_min_no=5, cell_max_no=3)
    site.runs(5)
    site.falls_silent("oak")
    site.runs(31)
    site.asks("declare_removed", pack="oak")
    view = site.runs(1)
    assert (view.cell_min_mv, view.cell_min_pack, view.cell_min_no) == (None, None, None)
    assert (view.cell_max_mv, view.cell_max_pack, view.cell_max_no) == (None, None, None)


def test_health_is_that_of_the_weakest() -> None:
    """The lowest state of health of the packs that are heard."""
    assert two({"soh_permille": 912}, {"soh_permille": 990}).view.soh_permille == 912
    assert two({"soh_permille": None}, {"soh_permille": 990}).view.soh_permille == 990


def test_a_silent_pack_adds_nothing() -> None:
    """What it last said of current, voltage, charge and capacity no longer counts; it is missed."""
    fir = {"current_ma": -7_000, "voltage_mv": 51_000, "soc_permille": 100, "soh_permille": 700}
    site = two({"current_ma": 5_000}, {**fir, "capacity_mah": 90_000})
    assert site.view.current_ma == -2_000
    site.falls_silent("fir")
    view = site.runs(40)
    assert view.current_ma == 5_000
    assert (view.voltage_mv, view.voltage_min_mv, view.voltage_max_mv) == (53_000, 53_000, 53_000)
    assert (view.soc_permille, view.soc_min_permille, view.soc_max_permille) == (500, 500, 500)
    assert (view.capacity_mah, view.soh_permille, view.partial) == (200_000, 980, True)


def test_a_late_pack_still_counts_for_the_rest() -> None:
    """Late is no reason to lose its current or charge; its voltage has no say any more."""
    site = two({"current_ma": 5_000}, {"current_ma": 2_000, "voltage_mv": 51_000})
    site.falls_silent("fir")
    view = site.runs(15)
    assert (view.current_ma, view.capacity_mah) == (7_000, 400_000)
    assert (view.voltage_min_mv, view.voltage_max_mv) == (53_000, 53_000)


def test_while_all_are_late_the_total_is_known() -> None:
    """Nobody tells a voltage any more, but the currents are not forgotten yet."""
    site = two({"current_ma": 5_000}, {"current_ma": 2_000})
    site.falls_silent("oak", "fir")
    view = site.runs(15)
    assert (view.current_ma, view.voltage_mv, view.power_w) == (7_000, None, None)


def test_silent_everywhere_is_known_nowhere() -> None:
    """Of a bank that nobody hears any more, current and voltage are unknown, charge as well."""
    site = two({"current_ma": 5_000}, {"current_ma": 2_000})
    site.falls_silent("oak", "fir")
    view = site.runs(40)
    for name in ("current_ma", "voltage_mv", "voltage_min_mv", "power_w", "soc_permille"):
        assert getattr(view, name) is None, name


def test_with_one_of_two_silent_the_rest_is_known() -> None:
    """The first pack of the settings may be the silent one, or the last."""
    for silent, heard in (("oak", "fir"), ("fir", "oak")):
        site = two({"current_ma": 3_000}, {"current_ma": 3_000})
        site.falls_silent(silent)
        view = site.runs(40)
        assert view.current_ma == 3_000, heard


def test_a_removed_pack_leaves_nothing_behind() -> None:
    """Its extremes and alarms go with it, and it is not missed."""
    fir = {"temperature_min_decic": -50, "temperature_max_decic": 450, "cell_min_mv": 3_000}
    site = two({}, {**fir, "cell_max_mv": 3_600, "warnings": ["other"]})
    site.says("fir", protections=["short_circuit"])
    site.runs(1)
    site.falls_silent("fir")
    view = site.runs(40)
    assert (view.temperature_min_decic, view.temperature_max_decic) == (-50, 450)
    assert (view.cell_min_mv, view.cell_max_mv) == (3_000, 3_600)
    assert (view.warnings, view.protections) == (("other",), ("short_circuit",))
    site.asks("declare_removed", pack="fir")
    view = site.runs(1)
    assert (view.temperature_min_decic, view.temperature_max_decic) == (200, 220)
    assert (view.cell_min_mv, view.cell_max_mv) == (3_310, 3_315)
    assert (view.warnings, view.protections, view.partial) == ((), (), False)


def test_a_pack_without_a_voltage_adds_none() -> None:
    """It lowers neither the sum nor the least."""
    view = two({"voltage_mv": None}, {"voltage_mv": 53_121}).view
    assert (view.voltage_mv, view.voltage_min_mv) == (53_121, 53_121)


def test_a_pack_may_say_no_voltage_at_all() -> None:
    """A reading of 0 V is a reading."""
    site = Site("oak")
    site.says(voltage_mv=0)
    assert (site.runs(5).voltage_mv, site.view.voltage_max_mv) == (0, 0)


def test_remaining_charge_is_in_whole_tenths_of_an_ampere_hour() -> None:
    """123.4 Ah at 50.1 % are 61.823 Ah, told as 61.823."""
    site = Site(PackSettings("oak", capacity_mah=123_400))
    site.says(soc_permille=501)
    assert site.runs(5).remaining_mah == 61_823


@pytest.mark.parametrize(
    ("field", "value", "shown", "expected"),
    [
        ("temperature_min_decic", 150, "temperature_min_decic", 150),
        ("temperature_max_decic", 300, "temperature_max_decic", 300),
        ("soc_permille", 400, "soc_min_permille", 400),
        ("soc_permille", 600, "soc_max_permille", 600),
        ("soc_permille", None, "partial", True),
        ("soh_permille", 900, "soh_permille", 900),
        ("capacity_mah", 100_000, "capacity_mah", 300_000),
        ("cell_min_mv", 3_200, "cell_min_mv", 3_200),
        ("cell_max_mv", 3_400, "cell_max_mv", 3_400),
    ],
)
def test_what_alone_has_moved_is_shown(
    field: str, value: int | None, shown: str, expected: object
) -> None:
    """One reading of one pack moves, and everything else stands still."""
    site = two({}, {})
    site.says("fir", **{field: value})
    assert getattr(site.runs(1), shown) == expected
