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


def test_an_open_pack_with_an_unknown_current_has_no_row_either() -> None:
    """The meter tells what flows in it, which is in the total, but it cannot be overloaded."""
    site = metered(15_000, charge_path_closed=False)
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
