"""The least cap wins, says why, falls at once and rises slowly."""

import pytest

from aggregator import LIMITS, PackSettings
from aggregator.rules import CURRENT_RULES
from tests.bank import Site


@pytest.mark.parametrize("limit", LIMITS)
def test_why_is_in_order_and_begins_with_the_limit(limit: str) -> None:
    """Tightest first: rising for all limits but the discharge voltage, where it falls."""
    site = Site("oak", PackSettings("fir", capacity_mah=100_000))
    for _ in range(8):
        site.runs(7)
        values = [cap.value for cap in site.bank.why(limit)]
        assert values == sorted(values, reverse=limit == "discharge_voltage")
        unit = "_limit_ma" if limit.endswith("current") else "_limit_mv"
        assert values[0] == getattr(site.view, limit + unit)


def test_why_tells_of_the_last_step() -> None:
    """What was asked or reported since changes nothing until the next step."""
    site = Site("oak", "fir").is_ready()
    before = site.bank.why("charge_current")
    site.asks("stop_charge")
    site.reports("fir", charge_allowed=False)
    assert site.bank.why("charge_current") == before
    site.bank.step(site.now_ms)
    assert site.bank.why("charge_current")[0].rule == "owner_stop"


@pytest.mark.parametrize("limit", ["", "voltage", "charge_current_limit_ma", None, 7, [], {}])
def test_why_knows_four_limits(limit: object) -> None:
    """An unknown name gives an empty list."""
    assert Site("oak").bank.why(limit) == []  # type: ignore[arg-type]


def test_a_tie_names_the_earlier_row() -> None:
    """With several zeros at once the limit's reason is the first of them in the table."""
    site = Site("oak", "fir").is_ready()
    site.says("fir", charge_allowed=False, current_ma=None)
    site.asks("stop_charge")
    site.runs(1)
    zeros = [cap.rule for cap in site.bank.why("charge_current") if cap.value == 0]
    order = [row[0] for row in CURRENT_RULES if row[0] in zeros]
    assert zeros == order
    assert zeros[:3] == ["owner_stop", "refuses_but_connected", "current_unknown"]


def test_the_order_of_packs_in_the_settings_changes_nothing() -> None:
    """The same packs in another order give the same caps."""
    words = {"a": 10_000, "b": 30_000, "c": 20_000}
    caps = []
    for order in ("abc", "cab", "bca"):
        site = Site(*order)
        for pack in order:
            site.says(pack, current_ma=words[pack])
        site.is_ready()
        caps.append([site.bank.why(limit) for limit in LIMITS])
    assert caps[0] == caps[1] == caps[2]


# How limits move.


def rising(seconds: float, every_s: float = 1, **settings: object) -> list[int]:
    """The charge limits of a 100 A pack, step by step, from the moment it may rise."""
    site = Site("oak", **settings)
    while site.view.charge_current_limit_ma == 0:
        site.runs(every_s, every_s)
    start_ma = site.view.charge_current_limit_ma
    limits = []
    for _ in range(round(seconds / every_s)):
        limits.append(site.runs(every_s, every_s).charge_current_limit_ma - start_ma)
    return limits


def test_a_current_rises_by_5_percent_of_the_packs_a_second() -> None:
    """A pack of 100 A gives 5 A more each second, and 0.5 A each tenth."""
    assert rising(4) == [5_000, 10_000, 15_000, 20_000]
    assert rising(0.4, 0.1) == [500, 1_000, 1_500, 2_000]


def test_one_call_never_rises_by_more_than_a_nominal_step() -> None:
    """After a gap of 7 s the limit goes on by one second's worth, not by seven."""
    assert rising(21, 7) == [5_000, 10_000, 15_000]
    assert rising(21, 7, nominal_step_ms=2_000) == [10_000, 20_000, 30_000]


def test_a_ceiling_takes_the_place_of_the_reported_limit_in_the_ramp() -> None:
    """The ramp is made of the pack ceilings where there are any."""
    site = Site(PackSettings("oak", charge_current_ceiling_ma=40_000), "fir")
    site.runs(35)
    before = site.view.charge_current_limit_ma
    assert site.runs(1).charge_current_limit_ma - before == 7_000


@pytest.mark.parametrize("limit_ma", [900, 333, 50])
def test_slow_ramps_are_not_lost_to_rounding(limit_ma: int) -> None:
    """What is less than a milliampere a step is carried: a small pack rises, too, and arrives."""
    site = Site("oak")
    site.says(charge_current_limit_ma=limit_ma)
    assert site.runs(80, every_s=0.25).charge_current_limit_ma == limit_ma


@pytest.mark.parametrize(("limit_ma", "rise_ma"), [(100_000, 5_000), (99_999, 4_999)])
def test_a_removed_pack_adds_nothing_to_the_ramp(limit_ma: int, rise_ma: int) -> None:
    """Of two packs of 100 A one is removed: the limit rises by 5 A a second, and nothing of fir's."""
    site = Site("oak", "fir")
    site.says("oak", charge_current_limit_ma=limit_ma)
    site.runs(10)
    site.falls_silent("fir")
    site.runs(40)
    site.asks("declare_removed", pack="fir")
    site.runs(35)
    before = site.view.charge_current_limit_ma
    assert site.runs(1).charge_current_limit_ma - before == rise_ma


def test_a_pack_that_tells_no_limit_adds_nothing_to_the_ramp() -> None:
    """Nor does one that says 0: beside oak's 99 999 mA the limit rises by 4999 mA a second."""
    for unknown in (None, 0):
        site = Site("oak", "fir")
        site.says("oak", charge_current_limit_ma=99_999)
        site.says("fir", charge_path_closed=False, charge_current_limit_ma=unknown)
        site.runs(35)
        before = site.view.charge_current_limit_ma
        assert site.runs(1).charge_current_limit_ma - before == 4_999


def test_a_removed_pack_adds_nothing_to_the_total() -> None:
    """Whatever fir carried when it was last heard: the room is oak's alone, either way."""
    for last_ma in (-40_000, 0, 40_000):
        site = Site("oak", "fir").is_ready()
        site.says("fir", current_ma=last_ma)
        site.runs(1)
        site.falls_silent("fir")
        site.runs(31)
        site.asks("declare_removed", pack="fir")
        site.runs(60)
        for limit in ("charge_current", "discharge_current"):
            caps = [(cap.value, cap.rule, cap.pack) for cap in site.bank.why(limit)[:2]]
            assert caps == [(100_000, "contributions", None), (100_000, "headroom", "oak")]


def test_a_limit_falls_at_once() -> None:
    """From 100 A to 20 A in the very step in which the pack says so."""
    site = Site("oak").is_ready()
    site.says(charge_current_limit_ma=20_000)
    assert site.runs(1).charge_current_limit_ma == 20_000


def test_a_rise_starts_from_where_the_limit_was_held() -> None:
    """Once a wish of 30 A is cleared, the next second allows 35 A."""
    site = Site("oak").is_ready()
    site.asks("cap_charge_current", value=30_000)
    site.runs(10)
    site.asks("clear", field="cap_charge_current")
    assert site.runs(1).charge_current_limit_ma == 35_000


def test_permission_and_limit_go_together() -> None:
    """Whatever happens, a limit of 0 is a denial and a denial is a limit of 0."""
    site = Site("oak", "fir")
    seen = set()
    for change in (
        {},
        {"charge_allowed": False},
        {"charge_allowed": True},
        {"charge_current_limit_ma": 0, "discharge_current_limit_ma": 0},
        {"charge_current_limit_ma": 1, "discharge_current_limit_ma": 1},
        {"temperature_min_decic": -300},
    ):
        site.says("fir", **change)
        for _ in range(40):
            view = site.runs(1)
            seen.add(view.charge_allowed)
            assert view.charge_allowed is (view.charge_current_limit_ma > 0)
            assert view.discharge_allowed is (view.discharge_current_limit_ma > 0)
    assert seen == {True, False}
