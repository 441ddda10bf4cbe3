"""A meter on the common bus tells the one current that its pack does not."""

import pytest

from aggregator import BusReport
from tests.bank import Site
from tests.unit.test_headroom import carrying, headroom


def metered(total_ma: int, **fields: object) -> Site:
    """Two packs: p0 carries 20 A, p1 does not say; the meter has told the total for 30 s."""
    site = carrying(20_000, 0)
    site.says("p1", current_ma=None, **fields)
    for sample in range(30):
        site.bank.bus(BusReport(sample, current_ma=total_ma), site.now_ms)
        site.runs(1)
    return site


def test_a_bus_meter_tells_the_one_current_that_is_unknown() -> None:
    """Total by the meter less the known packs is what the silent sensor's pack carries."""
    site = metered(50_000)
    assert headroom(site, "charge") == (50_000 + 70_000, "p1")
    assert "current_unknown" not in site.caps("charge_current")
    assert site.view.current_ma == 50_000


def test_a_stale_bus_meter_tells_nothing() -> None:
    """After fresh_ms without a new sample the meter's last word is no longer one."""
    site = carrying(20_000, 0)
    site.says("p1", current_ma=None)
    site.bank.bus(BusReport(1, current_ma=50_000), site.now_ms)
    site.runs(10)
    assert site.view.charge_allowed is True
    site.bank.bus(BusReport(1, current_ma=50_000), site.now_ms)  # the same sample again
    site.runs(1)
    assert site.binding("charge_current") == ("current_unknown", None)
    assert site.view.current_ma is None


@pytest.mark.parametrize("age_ms", [None, 0, 9_000])
def test_a_bus_reading_may_come_with_its_age(age_ms: int | None) -> None:
    """A reading handed over 9 s old is fresh for one more second."""
    site = carrying(20_000, 0)
    site.says("p1", current_ma=None)
    site.bank.bus(BusReport(7, current_ma=50_000, age_ms=age_ms), site.now_ms)
    site.runs(1)
    assert site.view.current_ma == 50_000
    site.runs(1)
    assert (site.view.current_ma is None) is (age_ms == 9_000)


def test_a_bus_reading_from_just_ahead_is_no_fresher_than_one_taken_now() -> None:
    """Stamped 8 s ahead, it is stale fresh_ms after the next step, not 8 s later."""
    site = carrying(20_000, 0)
    site.says("p1", current_ma=None)
    site.bank.bus(BusReport(7, current_ma=50_000), site.now_ms + 8_000)
    site.runs(11)
    assert site.view.current_ma == 50_000
    site.runs(1)
    assert site.view.current_ma is None


def test_a_bus_reading_that_was_overtaken_is_not_news() -> None:
    """The older of two samples, delivered last, does not replace the newer."""
    site = carrying(20_000, 0)
    site.says("p1", current_ma=None)
    for sample, current_ma in ((6, 50_000), (5, 90_000)):
        site.bank.bus(BusReport(sample, current_ma=current_ma), site.now_ms)
    site.runs(1)
    assert site.view.current_ma == 50_000


def test_an_overtaken_reading_does_not_stand_in_for_an_unknown_one() -> None:
    """The meter has just said that it does not know; what it said before is older."""
    site = carrying(20_000, 0)
    site.says("p1", current_ma=None)
    site.bank.bus(BusReport(8, current_ma=None), site.now_ms)
    site.bank.bus(BusReport(7, current_ma=50_000), site.now_ms)
    site.runs(1)
    assert site.binding("charge_current") == ("current_unknown", None)


def test_an_open_pack_with_an_unknown_current_has_no_row_either() -> None:
    """The meter tells what flows in it, which is in the total, but it cannot be overloaded, however
    little it may take."""
    site = metered(15_000, charge_path_closed=False, charge_current_limit_ma=1_000)
    assert headroom(site, "charge") == (15_000 + 80_000, "p0")


def test_a_bus_meter_cannot_tell_two_unknown_currents() -> None:
    """With two unknown currents the meter does not help: nothing is allowed."""
    site = carrying(20_000, 0, 0)
    site.says("p1", "p2", current_ma=None)
    site.bank.bus(BusReport(1, current_ma=50_000), site.now_ms)
    site.runs(1)
    assert site.binding("charge_current") == ("current_unknown", None)
    assert site.binding("discharge_current") == ("current_unknown", None)


def test_a_bus_meter_cannot_tell_one_of_two_that_are_missing() -> None:
    """With an unheard pack on the bus the meter's total has two unknown parts."""
    site = carrying(20_000, 0, 0)
    site.falls_silent("p2")
    site.runs(40)
    site.says("p1", current_ma=None)
    site.bank.bus(BusReport(1, current_ma=50_000), site.now_ms)
    site.runs(1)
    assert site.caps("charge_current")["current_unknown"].value == 0


def test_a_quick_meter_beside_a_slow_pack_overloads_nobody() -> None:
    """Four fifths of the total flow in p0, which tells its current every 9 s, as the meter does every
    second: what the total has grown by since p0's last word is no room for more."""
    site = Site("p0", "p1")
    site.says("p1", current_ma=None)
    total_ma = most_ma = 0
    for second in range(240):
        site.says("p0", current_ma=total_ma * 4 // 5)
        if second < 40 or second % 9 == 0:
            site.speaks("p0")
        else:
            site.falls_silent("p0")
        site.bank.bus(BusReport(second, current_ma=total_ma), site.now_ms)
        total_ma = site.runs(1).charge_current_limit_ma
        most_ma = max(most_ma, total_ma)
        assert total_ma * 4 // 5 <= 100_000
    assert most_ma > 110_000  # of 125 A


# What the meter says is the view's total while one pack does not say its current.


def listening() -> Site:
    """p1 does not say its current; the meter told 50 A in sample 65 530."""
    site = carrying(20_000, 0)
    site.says("p1", current_ma=None)
    site.bank.bus(BusReport(65_530, current_ma=50_000), site.now_ms)
    return site


@pytest.mark.parametrize(
    ("ahead", "news"),
    [(0, False), (1, True), (6, True), (32_767, True), (32_768, False), (65_535, False)],
)
def test_a_meters_sample_is_ahead_up_to_half_the_counter(ahead: int, news: bool) -> None:
    """Across the end of the counter, too; a repeat and a step back tell nothing."""
    site = listening()
    site.bank.bus(BusReport((65_530 + ahead) % 65_536, current_ma=60_000), site.now_ms)
    assert site.runs(1).current_ma == (60_000 if news else 50_000)


@pytest.mark.parametrize(("ahead", "news"), [(0, False), (1, True), (65_535, True), (40_000, True)])
def test_a_meter_that_was_silent_may_start_its_count_over(ahead: int, news: bool) -> None:
    """After fresh_ms any other number is news; the same one is still the same reading."""
    site = listening()
    site.runs(11)
    assert site.view.current_ma is None
    site.bank.bus(BusReport((65_530 + ahead) % 65_536, current_ma=60_000), site.now_ms)
    assert site.runs(1).current_ma == (60_000 if news else None)


def test_a_meter_that_says_no_current_tells_none() -> None:
    """Its next sample is news all the same, and takes the last one's place."""
    site = listening()
    site.bank.bus(BusReport(65_531, voltage_mv=53_000), site.now_ms)
    assert site.runs(1).current_ma is None
    site.bank.bus(BusReport(65_532, current_ma=70_000), site.now_ms)
    assert site.runs(1).current_ma == 70_000


@pytest.mark.parametrize(("age_ms", "told"), [(10_000, True), (10_001, False)])
def test_a_bus_reading_is_fresh_to_the_millisecond(age_ms: int, told: bool) -> None:
    """As old as a reading may be in the very step in which it counts, and a millisecond older."""
    site = carrying(20_000, 0)
    site.says("p1", current_ma=None)
    site.runs(1)
    site.bank.bus(BusReport(1, current_ma=50_000, age_ms=age_ms), site.now_ms)
    assert (site.bank.step(site.now_ms).current_ma == 50_000) is told


@pytest.mark.parametrize(("ahead_ms", "told"), [(0, True), (10_000, True), (10_001, False)])
def test_a_bus_reading_from_far_ahead_is_not_believed(ahead_ms: int, told: bool) -> None:
    """Up to fresh_ms ahead of the step it is one taken now; beyond, one from long ago."""
    site = carrying(20_000, 0)
    site.says("p1", current_ma=None)
    site.runs(1)
    site.bank.bus(BusReport(1, current_ma=50_000), site.now_ms + ahead_ms)
    assert (site.bank.step(site.now_ms).current_ma == 50_000) is told


def test_where_there_is_no_meter_nothing_is_told() -> None:
    """From the first second on: a current that is unknown stays so."""
    site = Site("p0", "p1")
    site.says("p1", current_ma=None)
    for _ in range(5):
        site.runs(1)
        assert site.view.current_ma is None
    assert site.caps("charge_current")["current_unknown"].value == 0
