"""The table of transitions: every row taken once, every stage reachable, one transition a step."""

from collections.abc import Callable

import pytest

from aggregator import StageSettings
from aggregator.cycle import PAUSED, STAGES
from aggregator.stages import TRANSITIONS
from tests.bank import Site, day, in_absorption, in_float, reason

Story = Callable[[], Site]


# The stories: each ends with the step that takes its transition.


def bulk_is_denied() -> Site:
    """A pack refuses."""
    site = day()
    site.says("fir", charge_allowed=False)
    site.runs(2)
    return site


def charging_is_allowed_again() -> Site:
    """The refusal is over, and so is the dwell after it."""
    site = bulk_is_denied()
    site.says("fir", charge_allowed=True)
    site.runs(31)
    return site


def the_target_is_held() -> Site:
    """The voltage reaches the target less the tolerance for 10 s."""
    site = day()
    site.says(voltage_mv=55_050)
    site.runs(10)
    return site


def a_cell_arrives() -> Site:
    """One cell is within 50 mV of its ceiling for 10 s, the bank far below its target."""
    site = day()
    site.says("fir", cell_max_mv=3_500)
    site.runs(10)
    return site


def absorption_takes_longest() -> Site:
    """The wall time ends it, before the held time does."""
    site = in_absorption(absorption_ms=120_000, absorption_min_ms=0, absorption_max_ms=60_000)
    site.runs(60)
    return site


def absorption_is_served() -> Site:
    """The voltage was held for a minute."""
    site = in_absorption()
    site.runs(60)
    return site


def tails_are_small() -> Site:
    """Both packs take less than 10 A, which is their tail of 50 permille an hour."""
    site = in_absorption(absorption_mode="until_full", absorption_min_ms=30_000)
    site.says(current_ma=9_000)
    site.runs(30)
    return site


def a_dip_ends_the_cycle() -> Site:
    """The voltage is gone for longer than two minutes."""
    site = in_absorption(dip_ends_cycle_ms=120_000)
    site.says(voltage_mv=53_000)
    site.runs(121)
    return site


def owner_asks_in_absorption() -> Site:
    """The owner wants a new charge."""
    site = in_absorption()
    assert site.asks("start_bulk") is None
    site.runs(1)
    return site


def owner_asks_in_float() -> Site:
    """The owner wants a new charge."""
    site = in_float()
    assert site.asks("start_bulk") is None
    site.runs(1)
    return site


def time_is_over() -> Site:
    """Ten minutes in float are enough."""
    site = in_float(restart_after_ms=600_000)
    site.runs(600)
    return site


def charge_is_low() -> Site:
    """The bank falls below 80 %."""
    site = in_float(restart_below_soc_permille=800)
    site.says(soc_permille=799)
    site.runs(1)
    return site


def voltage_is_low() -> Site:
    """The bank stays below 52.8 V for a minute."""
    site = in_float(restart_below_mv=52_800)
    site.says(voltage_mv=52_700)
    site.runs(60)
    return site


def night_is_over() -> Site:
    """Half an hour without charging."""
    site = in_float(restart_after_idle_ms=1_800_000)
    site.runs(1_800, every_s=5)
    return site


STORIES: tuple[Story, ...] = (
    bulk_is_denied,
    charging_is_allowed_again,
    the_target_is_held,
    a_cell_arrives,
    absorption_takes_longest,
    absorption_is_served,
    tails_are_small,
    a_dip_ends_the_cycle,
    owner_asks_in_absorption,
    owner_asks_in_float,
    time_is_over,
    charge_is_low,
    voltage_is_low,
    night_is_over,
)


@pytest.mark.parametrize(
    ("story", "row"),
    list(zip(STORIES, TRANSITIONS, strict=True)),
    ids=[story.__name__ for story in STORIES],
)
def test_every_transition_is_taken_once(
    story: Story, row: tuple[str | None, object, str | None, str]
) -> None:
    """Each row of the table, in its order: where it leads and by which name."""
    _, _, target, name = row
    site = story()
    assert site.view.stage == (target or "bulk")
    assert reason(site) == name
    if target is not None:
        assert site.view.stage_elapsed_ms == 0


@pytest.mark.parametrize("stage", ["absorption", "float"])
def test_a_pause_returns_to_where_it_was(stage: str) -> None:
    """Denied and allowed again, the day goes on in the stage in which it was paused."""
    site = in_absorption(absorption_ms=600_000) if stage == "absorption" else in_float()
    site.says("fir", charge_allowed=False)
    site.runs(5)
    assert site.view.stage == "paused"
    site.says("fir", charge_allowed=True)
    site.runs(31)
    assert site.view.stage == stage


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_can_be_reached_and_left(stage: str) -> None:
    """No stage of the table is a dead end, and none is an island."""
    others = [row for row in TRANSITIONS if row[0] != row[2]]
    leaves = [row for row in others if row[0] in (stage, None) and row[2] != stage]
    enters = [row for row in others if row[2] == stage]
    assert leaves
    assert enters


def test_every_stage_leads_to_every_other() -> None:
    """Following the table long enough leads from any stage to any other."""
    ways = {stage: {stage} for stage in STAGES}
    for _ in STAGES:
        for origin, _, target, _ in TRANSITIONS:
            for start in STAGES if origin is None else (origin,):
                reached = STAGES[:3] if target is None else (target,)
                for stage in STAGES:
                    if start in ways[stage]:
                        ways[stage].update(reached)
    assert all(ways[stage] == set(STAGES) for stage in STAGES)


def test_rows_are_told_apart() -> None:
    """Origin and name are unique together, every guard says what it is, pausing comes first."""
    names = [(origin, name) for origin, _, _, name in TRANSITIONS]
    assert len(set(names)) == len(names)
    assert all(guard.__doc__ for _, guard, _, _ in TRANSITIONS)
    assert TRANSITIONS[0][2] == PAUSED


def test_at_most_one_transition_a_step() -> None:
    """Even where every condition holds at once, each stage is seen for a step of its own."""
    settings = StageSettings(
        absorption_ms=0, dwell_ms=0, restart_after_ms=60_000, restart_min_interval_ms=0
    )
    site = Site("oak", stages=settings)
    site.says(voltage_mv=55_200)
    seen = [site.runs(1).stage for _ in range(40)]
    assert seen[:31] == ["paused"] * 31
    assert seen[31:35] == ["bulk", "absorption", "float", "float"]


def test_a_denial_comes_before_everything() -> None:
    """In the step in which float would end, a denial pauses instead; afterwards it does end."""
    site = in_float(restart_after_ms=600_000)
    site.runs(598)
    site.says("fir", charge_allowed=False)
    site.runs(5)
    assert site.view.stage == "paused"
    site.says("fir", charge_allowed=True)
    site.runs(30)
    assert site.view.stage == "float"
    site.runs(1)
    assert (site.view.stage, reason(site)) == ("bulk", "restart_time")
