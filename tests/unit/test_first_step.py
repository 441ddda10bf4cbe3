"""What binds before anything was heard, and to the last millisecond of every wait."""

from collections.abc import Callable

import pytest

from aggregator import Aggregator, BankSettings, Cap, PackSettings
from tests.bank import Site

FIRST: dict[str, list[Cap]] = {
    "charge_current": [
        Cap(0, "unheard", "fir"),
        Cap(0, "contributions", None),
        Cap(0, "headroom", "fir"),
        Cap(0, "ramp", None),
    ],
    "discharge_current": [
        Cap(0, "unheard", "fir"),
        Cap(0, "contributions", None),
        Cap(0, "headroom", "fir"),
        Cap(0, "ramp", None),
    ],
    "charge_voltage": [
        Cap(53_120, "limp", "fir"),
        Cap(53_120, "voltage_ramp", None),
        Cap(55_200, "stage_target", None),
        Cap(56_800, "ceiling", None),
    ],
    "discharge_voltage": [
        Cap(49_600, "limp", "fir"),
        Cap(49_600, "voltage_ramp", None),
        Cap(44_800, "ceiling", None),
    ],
}


@pytest.mark.parametrize("limit", FIRST)
def test_before_anything_is_heard_only_silence_binds(limit: str) -> None:
    """No wait runs, nobody refused, no wish was made: these caps are all there is."""
    assert Site("oak", "fir").bank.why(limit) == FIRST[limit]


@pytest.mark.parametrize("limit", FIRST)
def test_before_the_first_step_there_is_no_reason(limit: str) -> None:
    """`why` tells of the last step, and there was none."""
    assert Site("oak").bank.why(limit) != []
    assert Aggregator(BankSettings([PackSettings("oak")])).why(limit) == []


def test_the_first_pack_of_several_is_named() -> None:
    """Of packs that are equally tight, refuse or are silent, why names the first by its name."""
    site = Site("oak", "fir", "elm").is_ready()
    for limit in FIRST:
        for cap in site.bank.why(limit):
            assert cap.pack in (None, "elm")
    site.says("oak", "fir", charge_allowed=False, discharge_allowed=False)
    site.runs(1)
    assert site.binding("charge_current") == ("refuses_but_connected", "fir")
    assert site.binding("discharge_current") == ("refuses_but_connected", "fir")
    site.falls_silent("oak", "fir")
    site.runs(31)
    for limit, rule in zip(FIRST, ("unheard", "unheard", "limp", "limp"), strict=True):
        assert site.caps(limit)[rule].pack == "fir"


# Waits: settings that end a millisecond after three steps of a second, and what starts each.

WAITS = {"settle_ms": 3_001, "path_settle_ms": 3_001, "reenable_ms": 3_001}


def above(site: Site, way: str) -> None:
    """A pack is above its limit for a second."""
    site.says("oak", current_ma=110_000 if way == "charge" else -110_000)
    site.runs(1)
    site.says("oak", current_ma=0)


def opens(site: Site, way: str) -> None:
    """A pack's path opens."""
    site.says("oak", **{way + "_path_closed": False})
    site.runs(1)


def stops(site: Site, way: str) -> None:
    """The owner says stop for a second."""
    site.asks("stop_" + way)
    site.runs(1)
    site.asks("clear", field="stop_" + way)


@pytest.mark.parametrize("way", ["charge", "discharge"])
@pytest.mark.parametrize(
    ("rule", "cause"),
    [("settling_no_rise", above), ("path_no_rise", opens), ("reenable_dwell", stops)],
)
def test_a_wait_binds_to_its_last_millisecond(
    rule: str, cause: Callable[[Site, str], None], way: str
) -> None:
    """3001 ms are three steps of a second and a millisecond more."""
    for wait_ms, steps in ((3_001, 3), (3_000, 2)):
        site = Site("oak", "fir", **dict.fromkeys(WAITS, wait_ms)).is_ready()
        cause(site, way)
        bound = []
        for _ in range(5):
            site.runs(1)
            bound.append(rule in site.caps(way + "_current"))
        assert bound == [True] * steps + [False] * (5 - steps)


def test_a_wait_of_nothing_is_none() -> None:
    """Set to 0, no wait ever binds, not even in the step that would start it."""
    site = Site("oak", "fir", **dict.fromkeys(WAITS, 0)).is_ready()
    above(site, "charge")
    opens(site, "charge")
    stops(site, "charge")
    site.runs(1)
    assert site.caps("charge_current").keys() == {"contributions", "headroom", "ramp"}


def test_the_day_waits_to_the_last_millisecond_of_a_dwell() -> None:
    """Paused while the dwell after a denial still has a millisecond to run."""
    for wait_ms, steps in ((3_001, 3), (3_000, 2)):
        site = Site("oak", "fir", reenable_ms=wait_ms).is_ready()
        stops(site, "charge")
        paused = [site.runs(1).stage == "paused" for _ in range(5)]
        assert paused == [True] * steps + [False] * (5 - steps)
