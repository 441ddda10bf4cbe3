"""Every rule of the table of current rules binds once, and names the pack it speaks of."""

from collections.abc import Callable

import pytest

from aggregator.rules import CURRENT_RULES
from tests.bank import Site

SIGNS = {"charge": 1, "discharge": -1}
Story = Callable[[str], Site]


def ready(**settings: object) -> Site:
    """Two packs whose limits have come all the way up."""
    return Site("oak", "fir", **settings).is_ready()


# The stories: each returns a site at the moment when its rule binds.


def owner_stop(way: str) -> Site:
    """The owner says stop."""
    site = ready()
    site.asks("stop_" + way)
    site.runs(1)
    return site


def unheard(way: str) -> Site:
    """fir has fallen silent."""
    site = ready()
    site.falls_silent("fir")
    site.runs(31)
    return site


def refuses_but_connected(way: str) -> Site:
    """fir refuses, and its path is closed."""
    site = ready()
    site.says("fir", **{way + "_allowed": False})
    site.runs(1)
    return site


def local_refusal(way: str) -> Site:
    """fir refuses with an open path, and is wired to this board, which may stop all."""
    site = ready(own_packs=["fir"], local_refusal_stops_bank=True)
    site.says("fir", **{way + "_allowed": False, way + "_path_closed": False})
    site.runs(1)
    return site


def current_unknown(way: str) -> Site:
    """fir no longer says its current."""
    site = ready()
    site.says("fir", current_ma=None)
    site.runs(1)
    return site


def no_path(way: str) -> Site:
    """Both paths are open."""
    site = ready()
    site.says(**{way + "_path_closed": False})
    site.runs(1)
    return site


def reenable_dwell(way: str) -> Site:
    """A refusal has just ended."""
    site = refuses_but_connected(way)
    site.says("fir", **{way + "_allowed": True})
    site.runs(2)
    return site


def contributions(way: str) -> Site:
    """Both carry all they may, and fir is left out."""
    site = ready()
    site.says(current_ma=SIGNS[way] * 50_000)
    site.asks("withhold_pack", pack="fir")
    site.runs(60)
    return site


def headroom(way: str) -> Site:
    """fir has less room than oak."""
    site = ready()
    site.says("fir", current_ma=SIGNS[way] * 20_000)
    site.runs(30)
    return site


def pack_loss(way: str) -> Site:
    """Either pack may open at any time, and the other must carry all."""
    site = ready(survive_pack_loss="strict")
    site.says(current_ma=SIGNS[way] * 30_000)
    site.runs(30)
    return site


def bank_ceiling(way: str) -> Site:
    """The installer allows the whole bank 40 A."""
    return ready(**{way + "_current_ceiling_ma": 40_000})


def owner_cap(way: str) -> Site:
    """The owner wishes 30 A."""
    site = ready()
    site.asks("cap_" + way + "_current", value=30_000)
    site.runs(1)
    return site


def owner_soc(way: str) -> Site:
    """At 50 % the owner's window ends, upward or downward."""
    site = ready()
    site.asks("top_soc_permille" if way == "charge" else "reserve_soc_permille", value=500)
    site.runs(1)
    return site


def late_no_rise(way: str) -> Site:
    """fir's reading is late while the limit is still on its way up."""
    site = Site("oak", "fir", ramp_permille_per_s=5)
    site.runs(45)
    site.falls_silent("fir")
    site.runs(15)
    return site


def settling_no_rise(way: str) -> Site:
    """oak was above its fallen limit a moment ago."""
    site = ready()
    site.says(current_ma=SIGNS[way] * 40_000)
    site.runs(30)
    site.says("oak", **{way + "_current_limit_ma": 30_000})
    site.runs(1)
    site.says("oak", **{way + "_current_limit_ma": 100_000})
    site.runs(5)
    return site


def path_no_rise(way: str) -> Site:
    """fir's path has opened, and what held the limit down is gone."""
    site = ready()
    site.says("fir", **{way + "_path_closed": False, way + "_current_limit_ma": 10_000})
    site.says("oak", **{way + "_current_limit_ma": 20_000})
    site.runs(1)
    site.says("oak", **{way + "_current_limit_ma": 100_000})
    site.runs(5)
    return site


def ramp(way: str) -> Site:
    """The dwell is over and the limit is on its way up."""
    site = Site("oak", "fir")
    site.runs(38)
    return site


PACKS = {
    "unheard": "fir",
    "refuses_but_connected": "fir",
    "headroom": "fir",
}
# What the rule allows in its story [mA]; the others depend on how far the ramp has come.
ALLOWED_MA = {
    "contributions": 100_000,
    "pack_loss": 100_000,
    "bank_ceiling": 40_000,
    "owner_cap": 30_000,
}
ZEROS = (
    "owner_stop",
    "unheard",
    "refuses_but_connected",
    "local_refusal",
    "current_unknown",
    "no_path",
    "reenable_dwell",
    "owner_soc",
)
CURRENT_STORIES: tuple[Story, ...] = (
    owner_stop,
    unheard,
    refuses_but_connected,
    local_refusal,
    current_unknown,
    no_path,
    reenable_dwell,
    contributions,
    headroom,
    pack_loss,
    bank_ceiling,
    owner_cap,
    owner_soc,
    late_no_rise,
    settling_no_rise,
    path_no_rise,
    ramp,
)


def test_every_current_rule_has_its_story() -> None:
    """The stories above are the rules of the table, one each, in its order."""
    assert [story.__name__ for story in CURRENT_STORIES] == [row[0] for row in CURRENT_RULES]


@pytest.mark.parametrize("way", SIGNS)
@pytest.mark.parametrize("story", CURRENT_STORIES, ids=lambda story: story.__name__)
def test_every_current_rule_binds_once(story: Story, way: str) -> None:
    """Each rule becomes the tightest in its story, and names the pack it is about."""
    site = story(way)
    name = story.__name__
    limit = way + "_current"
    cap = site.bank.why(limit)[0]
    assert (cap.rule, cap.pack) == (name, PACKS.get(name))
    assert cap.value == ALLOWED_MA.get(name, 0 if name in ZEROS else cap.value)
    assert (cap.value == 0) is (name in ZEROS)
    assert getattr(site.view, limit + "_limit_ma") == cap.value
    assert getattr(site.view, limit + "_rule") == name
    assert getattr(site.view, limit + "_pack") == PACKS.get(name)
    assert getattr(site.view, way + "_allowed") is (cap.value > 0)


@pytest.mark.parametrize(
    ("story", "denies"),
    [(story, row[3]) for story, row in zip(CURRENT_STORIES, CURRENT_RULES, strict=True)],
    ids=[row[0] for row in CURRENT_RULES],
)
def test_only_a_denial_pauses_the_day(story: Story, denies: bool) -> None:
    """The stage is paused by the rules that deny, and by the dwell after one; by no other zero."""
    site = story("charge")
    site.runs(1)
    assert (site.view.stage == "paused") is (denies or story is reenable_dwell)


@pytest.mark.parametrize("way", SIGNS)
def test_an_unknown_current_is_counted_as_none(way: str) -> None:
    """While fir does not say, the room is still told: from what oak carries, and nothing of fir."""
    site = ready()
    site.says("oak", current_ma=SIGNS[way] * 20_000)
    site.says("fir", current_ma=None)
    site.runs(1)
    cap = site.caps(way + "_current")["headroom"]
    assert (cap.value, cap.pack) == (100_000, "oak")
    assert site.caps(way + "_current")["contributions"].value == 200_000
