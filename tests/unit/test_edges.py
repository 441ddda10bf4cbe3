"""Edges on which one milliampere, one millisecond or one thousandth decides."""

from collections.abc import Callable

import pytest

from aggregator import PackSettings
from aggregator.bank import Bank
from aggregator.fields import VIEW_FIELDS
from aggregator.findings import charger_ignores_limit, load_above_limit
from aggregator.reference import NO_CAP
from tests.bank import Site

LIMITS = ("charge_current", "discharge_current", "charge_voltage", "discharge_voltage")


Finder = Callable[[Bank], bool]


def bare(site: Site) -> Bank:
    """The columns behind the bank."""
    return site.bank._bank


def test_every_number_of_the_view_is_whole() -> None:
    """On the way up, too, where ramps pay out parts of a unit."""
    site = Site("oak", "fir", ramp_permille_per_s=7, voltage_ramp_mv_per_s=3)
    for _ in range(60):
        site.runs(1)
        values = [getattr(site.view, name) for name in VIEW_FIELDS]
        assert float not in {type(value) for value in values}


@pytest.mark.parametrize("limit", LIMITS)
def test_a_rule_without_a_cap_is_not_listed(limit: str) -> None:
    """What binds nothing has no row in why."""
    site = Site("oak", "fir").is_ready()
    assert all(abs(cap.value) < NO_CAP for cap in site.bank.why(limit))


def test_a_pack_exactly_at_its_limit_settles_nothing() -> None:
    """1 mA more, and no limit rises for a while."""
    for current_ma, settles in ((100_000, False), (100_001, True)):
        site = Site("oak", "fir", ramp_permille_per_s=1_000).is_ready()
        site.says("oak", current_ma=current_ma)
        site.runs(1)
        assert ("settling_no_rise" in site.caps("charge_current")) is settles


@pytest.mark.parametrize(("each_ma", "room_ma"), [(5_000, 100_000), (5_001, 99_999)])
def test_a_total_just_quiet_is_remembered(each_ma: int, room_ma: int) -> None:
    """5 % of the bank is quiet: 10 A in all; while it charges, that moment counts for discharge."""
    site = Site("oak", "fir").is_ready()
    quiet = bare(site).charge.quiet
    site.says(current_ma=each_ma)
    site.runs(20)
    assert (quiet.total_ma == 2 * each_ma) is (room_ma == 100_000)


def test_a_pack_that_nobody_hears_spoils_what_is_remembered() -> None:
    """Silence alone is enough: whatever it carries now is in no reading."""
    site = Site("oak", "fir").is_ready()
    side = bare(site).charge
    assert side.quiet.valid
    site.falls_silent("fir")
    site.runs(60)
    assert site.binding("charge_current")[0] == "unheard"
    assert not side.quiet.valid
    assert not side.steady.valid


@pytest.mark.parametrize(("granted_ma", "denied"), [(1, False), (0, True)])
def test_a_grant_of_one_milliampere_is_no_denial(granted_ma: int, denied: bool) -> None:
    """The dwell before it is permitted again starts at 0, not at a small limit."""
    packs = [PackSettings(name, unheard_charge_current_ma=granted_ma) for name in ("oak", "fir")]
    site = Site(*packs).is_ready()
    site.falls_silent("fir")
    site.runs(60)
    assert site.view.charge_current_limit_ma == granted_ma
    assert bare(site).charge.denied is denied


def held(site: Site) -> bool:
    """Is the ramp at a standstill?"""
    site.runs(1)
    return site.caps("charge_current")["ramp"].value == site.view.charge_current_limit_ma


def test_ramps_stand_still_for_each_reason_alone() -> None:
    """A late reading, a pack above its limit, a path that changed: no rise is earned meanwhile."""
    fields = {"fresh_ms": 2_000, "settle_ms": 3_001, "path_settle_ms": 3_001}
    late = Site("oak", "fir", **fields).is_ready()
    assert not held(late)
    late.falls_silent("fir")
    late.runs(2)
    assert held(late)
    ramp = late.caps("charge_voltage")["voltage_ramp"]
    assert ramp.value == late.view.charge_voltage_limit_mv
    above = Site("oak", "fir", **fields).is_ready()
    above.says("oak", current_ma=110_000)
    above.runs(1)
    above.says("oak", current_ma=0)
    # It ends after four steps of a second: until then a millisecond is left.
    assert [held(above) for _ in range(4)] == [True, True, True, False]
    path = Site("oak", "fir", "elm", **fields).is_ready()
    path.says("fir", charge_path_closed=False)
    assert [held(path) for _ in range(5)] == [True, True, True, True, False]


def test_the_peak_of_fifteen_seconds() -> None:
    """A new peak is looked for every 15 s, and the last one is kept beside it."""
    site = Site("oak", "fir").is_ready()
    side = bare(site).charge
    side.peak_left_ms, side.peak_ma, side.last_peak_ma = 2_000, 400_000, 300_000
    site.asks("stop_charge")
    site.runs(1)
    assert (side.peak_left_ms, side.peak_ma, side.last_peak_ma) == (1_000, 400_000, 300_000)
    side.peak_left_ms = 1_001
    site.runs(1)
    assert (side.peak_left_ms, side.peak_ma, side.last_peak_ma) == (1, 400_000, 300_000)
    side.peak_left_ms = 1_000
    site.runs(1)
    assert (side.peak_left_ms, side.peak_ma, side.last_peak_ma) == (15_000, 0, 400_000)


@pytest.mark.parametrize(
    ("way", "sign", "found"),
    [("charge", 1, charger_ignores_limit), ("discharge", -1, load_above_limit)],
)
def test_a_limit_of_before_is_forgiven_for_15_to_30_s(way: str, sign: int, found: Finder) -> None:
    """Periods of 15 s begin with the first step; the highest limit of the last one still counts. From
    a limit of 0 after 34 s it is forgotten after 60 s; 1 A of the total is never too much."""
    for total_ma, seen_s in ((1_000, None), (1_001, 60)):
        site = Site("oak", "fir", path_settle_ms=0, reenable_ms=0, ramp_permille_per_s=1_000)
        site.runs(34)
        assert getattr(site.view, way + "_current_limit_ma") >= 100_000
        site.asks("stop_" + way)
        site.says("oak", current_ma=sign * total_ma)
        seconds = [site.now_ms // 1_000 for _ in range(40) if site.runs(1) and found(bare(site))]
        assert (seconds[0] if seconds else None) == seen_s


@pytest.mark.parametrize("sign", [1, -1])
def test_before_any_limit_nothing_is_forgiven(sign: int) -> None:
    """Where charging and discharging were never allowed, 1001 mA is too much from the start."""
    site = Site("oak")
    site.says(current_ma=sign * 1_001, charge_current_limit_ma=0, discharge_current_limit_ma=0)
    site.runs(3)
    assert (charger_ignores_limit if sign > 0 else load_above_limit)(bare(site))
