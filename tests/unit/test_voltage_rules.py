"""Every rule of the table of voltage rules binds once, and names the pack it speaks of."""

from collections.abc import Callable

import pytest

from aggregator.rules import VOLTAGE_RULES
from tests.bank import Site

Story = Callable[[str], Site]

# At 55.0 V with its highest cell at 3437 mV a pack would have room
# up to 55.452 V, and at 50.0 V with its lowest cell at 3000 mV down to 48.8 V.

NEAR_END: dict[str, dict[str, object]] = {
    "charge": {"voltage_mv": 55_000, "cell_max_mv": 3_437},
    "discharge": {"voltage_mv": 50_000, "cell_min_mv": 3_000},
}


def near_end(way: str, seconds: int = 90, **settings: object) -> Site:
    """Both packs are near the end of this direction."""
    site = Site("oak", "fir", **settings)
    site.says(**NEAR_END[way])
    site.runs(seconds)
    return site


def own_limit(way: str) -> Site:
    """fir asks for a narrower voltage than everything else."""
    site = near_end(way)
    site.says("fir", **{way + "_voltage_limit_mv": 54_000 if way == "charge" else 50_100})
    site.runs(1)
    return site


def ceiling(way: str) -> Site:
    """The installer's bound is the narrowest."""
    name = "charge_voltage_ceiling_mv" if way == "charge" else "discharge_voltage_floor_mv"
    return near_end(way, **{name: 54_000 if way == "charge" else 49_900})


def limp(way: str) -> Site:
    """fir is silent."""
    site = near_end(way)
    site.falls_silent("fir")
    site.runs(31)
    return site


def extreme_cell(way: str) -> Site:
    """fir has one cell much nearer to its end."""
    site = near_end(way)
    site.says("fir", **({"cell_max_mv": 3_540} if way == "charge" else {"cell_min_mv": 2_800}))
    site.runs(1)
    return site


def stage_target(way: str) -> Site:
    """Nothing is tighter than what bulk asks for."""
    return near_end(way)


def owner_voltage_cap(way: str) -> Site:
    """The owner wishes 54.2 V."""
    site = near_end(way)
    site.asks("cap_charge_voltage", value=54_200)
    site.runs(20)
    return site


def voltage_late_no_rise(way: str) -> Site:
    """fir is late while the voltage limit is still on its way."""
    site = near_end(way, 5, voltage_ramp_mv_per_s=10)
    site.falls_silent("fir")
    site.runs(15)
    return site


def voltage_ramp(way: str) -> Site:
    """The limit has just begun to move away from the limp voltage."""
    return near_end(way, 6)


VOLTAGE_PACKS = {"own_limit": "fir", "limp": "fir", "extreme_cell": "fir"}
VOLTAGE_STORIES: tuple[Story, ...] = (
    own_limit,
    ceiling,
    limp,
    extreme_cell,
    stage_target,
    owner_voltage_cap,
    voltage_late_no_rise,
    voltage_ramp,
)
CHARGE_ONLY = (stage_target, owner_voltage_cap)


def test_every_voltage_rule_has_its_story() -> None:
    """The stories above are the rules of the table, one each, in its order."""
    assert [story.__name__ for story in VOLTAGE_STORIES] == [row[0] for row in VOLTAGE_RULES]


@pytest.mark.parametrize(
    ("story", "way"),
    [(story, "charge") for story in VOLTAGE_STORIES]
    + [(story, "discharge") for story in VOLTAGE_STORIES if story not in CHARGE_ONLY],
    ids=lambda value: value if isinstance(value, str) else value.__name__,
)
def test_every_voltage_rule_binds_once(story: Story, way: str) -> None:
    """Each rule becomes the tightest in its story, and names the pack it is about."""
    site = story(way)
    name = story.__name__
    limit = way + "_voltage"
    cap = site.bank.why(limit)[0]
    assert (cap.rule, cap.pack) == (name, VOLTAGE_PACKS.get(name))
    assert getattr(site.view, limit + "_limit_mv") == cap.value
    assert getattr(site.view, limit + "_rule") == name
    assert getattr(site.view, limit + "_pack") == VOLTAGE_PACKS.get(name)
