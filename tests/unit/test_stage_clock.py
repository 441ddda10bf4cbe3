"""What the daily charge counts, what a new stage begins anew, and what is foretold."""

import pytest

from aggregator import BankSettings, PackSettings, StageSettings
from aggregator.cycle import (
    ABSORPTION,
    BULK,
    FLOAT,
    FULL_MINUTES,
    FULL_MS,
    PAUSED,
    STAGES,
    TIMERS,
)
from aggregator.ranges import STAGE_INTS
from aggregator.stages import Stages
from tests.stage_clock import HELD, TARGET_MV, UNTIL_FULL, at

IDLE: dict[str, object] = {"stage": FLOAT, "current_ma": 1_000}
COUNTED: tuple[tuple[str, dict[str, object], int], ...] = (
    ("elapsed_ms", {}, 105),
    ("elapsed_ms", {"stage": PAUSED}, 105),
    ("since_start_ms", {}, 105),
    ("since_start_ms", {"stage": PAUSED}, 105),
    ("paused_ms", {"stage": PAUSED}, 105),
    ("paused_ms", {}, 0),
    ("reached_ms", {"voltage_mv": 55_050}, 105),
    ("reached_ms", {"voltage_mv": 55_049}, 0),
    ("reached_ms", {"voltage_mv": None}, 0),
    ("reached_ms", {"voltage_mv": 53_850, "target_cap_mv": 54_000}, 105),
    ("reached_ms", {"voltage_mv": 53_849, "target_cap_mv": 54_000}, 0),
    ("arrived_ms", {"cell_arrived": True}, 105),
    ("arrived_ms", {}, 0),
    ("absorbing_ms", {"stage": ABSORPTION}, 105),
    ("absorbing_ms", {"stage": PAUSED, "resume": ABSORPTION}, 105),
    ("absorbing_ms", {"stage": PAUSED, "resume": FLOAT}, 100),
    ("absorbing_ms", {"stage": FLOAT, "resume": ABSORPTION}, 100),
    ("held_ms", {"stage": ABSORPTION, **HELD}, 105),
    ("held_ms", {"stage": ABSORPTION, "cell_arrived": True}, 105),
    ("held_ms", {"stage": ABSORPTION}, 100),
    ("held_ms", {"stage": ABSORPTION, "denied": True, **HELD}, 100),
    ("held_ms", {"stage": PAUSED, "resume": ABSORPTION, **HELD}, 100),
    ("held_ms", {"stage": BULK, **HELD}, 100),
    ("dip_ms", HELD, 0),
    ("dip_ms", {"cell_arrived": True}, 0),
    ("dip_ms", {}, 105),
    ("dip_ms", {"denied": True, **HELD}, 105),
    ("tails_ms", {"tails_small": True, **HELD}, 105),
    ("tails_ms", {"tails_small": True}, 0),
    ("tails_ms", HELD, 0),
    ("low_ms", {"voltage_mv": 51_999}, 105),
    ("low_ms", {"voltage_mv": 52_000}, 0),
    ("low_ms", {"voltage_mv": None}, 0),
    ("low_ms", {"voltage_mv": 0, "restart_below_mv": None}, 0),
    ("idle_ms", IDLE, 105),
    ("idle_ms", {**IDLE, "stage": PAUSED, "resume": FLOAT}, 105),
    ("idle_ms", {**IDLE, "current_ma": None}, 105),
    ("idle_ms", {**IDLE, "current_ma": 1_001}, 0),
    ("idle_ms", {**IDLE, "stage": BULK}, 0),
)


@pytest.mark.parametrize(("timer", "state", "after_ms"), COUNTED)
def test_every_timer_counts_while_its_reason_lasts(
    timer: str, state: dict[str, object], after_ms: int
) -> None:
    """From 100 ms on for 5 ms; what has no break starts over, the rest stands still."""
    now = at(**{**state, timer: 100})  # type: ignore[arg-type]
    now.pass_time(5)
    assert getattr(now, timer) == after_ms


FILLED = [row for row in COUNTED if row[2] == 105]


@pytest.mark.parametrize(("timer", "state", "_"), FILLED)
def test_no_timer_runs_over(timer: str, state: dict[str, object], _: int) -> None:
    """It stops at the largest value, and stays there."""
    now = at(**{**state, timer: FULL_MS - 4})  # type: ignore[arg-type]
    now.pass_time(5)
    assert getattr(now, timer) == FULL_MS
    now.pass_time(5)
    assert getattr(now, timer) == FULL_MS


def test_every_timer_has_its_cases() -> None:
    """The minutes since the last full charge are below."""
    assert set(TIMERS) - {"since_full_minutes"} == {row[0] for row in COUNTED} - {"paused_ms"}


def test_the_minutes_since_the_last_full_charge() -> None:
    """Whole minutes only, none lost between long and short steps, no more than fit."""
    now = at(since_full_minutes=0)
    for dt_ms, minutes in ((59_999, 0), (1, 1), (150_000, 3), (29_999, 3), (1, 4), (60_000, 5)):
        now.pass_time(dt_ms)
        assert now.since_full_minutes == minutes
    now.since_full_minutes = FULL_MINUTES - 1
    now.pass_time(180_000)
    assert now.since_full_minutes == FULL_MINUTES


ENTERED: tuple[tuple[str, dict[str, object], str, set[str]], ...] = (
    ("owner_asked", {"stage": FLOAT, "asked": True}, BULK, {"elapsed_ms", "since_start_ms"}),
    (
        "cell_arrived",
        {"cell_arrived": True},
        ABSORPTION,
        {"elapsed_ms", "absorbing_ms", "held_ms", "dip_ms", "tails_ms"},
    ),
    (
        "absorption_longest",
        {"stage": ABSORPTION, "absorbing_ms": 90_000},
        FLOAT,
        {"elapsed_ms", "since_full_minutes", "spare_ms"},
    ),
    ("charging_denied", {"denied": True, "stage": FLOAT}, PAUSED, set()),
    ("charging_allowed_again", {"stage": PAUSED, "resume": BULK}, BULK, set()),
    ("charging_allowed_again", {"stage": PAUSED, "resume": ABSORPTION}, ABSORPTION, set()),
    ("charging_allowed_again", {"stage": PAUSED, "resume": FLOAT}, FLOAT, set()),
)


@pytest.mark.parametrize(("why", "state", "stage", "anew"), ENTERED)
def test_a_stage_that_is_entered_counts_anew(
    why: str, state: dict[str, object], stage: str, anew: set[str]
) -> None:
    """Its own times start from 0; a pause, and the way back from it, leave all of them alone."""
    names = [*TIMERS, "spare_ms"]
    now = at(**{**dict.fromkeys(names, 60_000), "spare_ms": 7, **state})  # type: ignore[arg-type]
    before = at(**{**dict.fromkeys(names, 60_000), "spare_ms": 7, **state})  # type: ignore[arg-type]
    before.pass_time(0)
    now.step(0)
    assert (now.stage, now.why, now.paused_ms) == (stage, why, 0)
    for name in names:
        assert getattr(now, name) == (0 if name in anew else getattr(before, name)), name
    assert now.resume == (FLOAT if stage == PAUSED else before.resume)


def test_a_start_asked_for_in_a_paused_bulk_is_not_kept_for_later() -> None:
    """The charge that was asked for is under way: absorption, which comes at once, goes on."""
    now = at(PAUSED, BULK, asked=True, voltage_mv=TARGET_MV, reached_ms=10_000)
    stages = []
    for _ in range(4):
        now.step(1_000)
        stages.append(now.stage)
    assert stages == [BULK, ABSORPTION, ABSORPTION, ABSORPTION]
    assert now.asked is False


def test_a_start_asked_for_while_charging_is_denied_is_kept() -> None:
    """Until the bank may charge again."""
    now = at(PAUSED, FLOAT, asked=True, denied=True)
    for _ in range(3):
        now.step(1_000)
        assert (now.stage, now.asked) == (PAUSED, True)
    now.facts.denied = False
    stages = []
    for _ in range(3):
        now.step(1_000)
        stages.append(now.stage)
    assert stages == [FLOAT, BULK, BULK]


LONG_AGO = {"since_start_ms": 50_001}
FORESEEN: tuple[tuple[dict[str, object], str | None, int | None], ...] = (
    ({}, None, None),
    ({"stage": PAUSED, "denied": True}, None, None),
    ({"stage": PAUSED, "denied": True, "dwell_left_ms": 1}, "charging_allowed_again", 1),
    ({"stage": ABSORPTION, "absorbing_ms": 1}, "absorption_longest", 89_999),
    ({"stage": ABSORPTION, **HELD}, "absorption_served", 60_000),
    ({"stage": ABSORPTION, "absorbing_ms": 30_001, **HELD}, "absorption_longest", 59_999),
    ({"stage": ABSORPTION, "absorbing_ms": 30_000, **HELD}, "absorption_longest", 60_000),
    ({"stage": ABSORPTION, "absorbing_ms": 29_999, **HELD}, "absorption_served", 60_000),
    ({"stage": ABSORPTION, **HELD, **UNTIL_FULL}, "absorption_longest", 90_000),
    ({"stage": PAUSED, "resume": ABSORPTION, "absorbing_ms": 90_001}, "absorption_longest", 0),
    ({"stage": PAUSED, "resume": ABSORPTION, "held_ms": 60_001, **HELD}, "absorption_served", 0),
    ({"stage": FLOAT, "elapsed_ms": 1}, "restart_time", 79_999),
    ({"stage": FLOAT, "elapsed_ms": 79_000, "since_start_ms": 48_000}, "restart_time", 2_000),
    ({"stage": FLOAT, "restart_after_ms": None}, None, None),
    ({"stage": PAUSED, "resume": FLOAT, "elapsed_ms": 80_001, **LONG_AGO}, "restart_time", 0),
)


@pytest.mark.parametrize(("state", "ends_by", "ends_ms"), FORESEEN)
def test_what_ends_a_stage_is_foretold(
    state: dict[str, object], ends_by: str | None, ends_ms: int | None
) -> None:
    """The row that comes first, of two at the same time the first of the table; never below 0."""
    now = at(**state)  # type: ignore[arg-type]
    now.ends_by, now.ends_ms = "yesterday", 1
    now.step(0)
    assert (now.ends_by, now.ends_ms) == (ends_by, ends_ms)


def test_a_day_begins_in_bulk_with_nothing_known() -> None:
    """No timer has run, charging is denied, and the last full charge is as long ago as can be."""
    now = Stages(BankSettings([PackSettings("oak")]))
    assert [getattr(now, name) for name in TIMERS] == [0] * (len(TIMERS) - 1) + [FULL_MINUTES]
    assert (now.spare_ms, now.paused_ms, now.adjusted) == (0, 0, [])
    assert (now.stage, now.resume, now.why) == (BULK, BULK, "start")
    assert (now.ends_by, now.ends_ms, now.asked, now.held) == (None, None, False, False)
    facts = now.facts
    assert (facts.voltage_mv, facts.current_ma, facts.soc_permille) == (None, None, None)
    assert (facts.cell_arrived, facts.tails_small, facts.denied) == (False, False, True)
    assert (facts.dwell_left_ms, facts.target_cap_mv, facts.idle_ma) == (0, 0, 0)


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_asks_for_its_voltage_and_a_pause_for_that_of_its_stage(stage: str) -> None:
    """55.2 V in bulk and absorption, 53.6 V in float, and never as much as absorption there."""
    for resume in (BULK, ABSORPTION, FLOAT):
        now = at(stage, resume, float_mv=53_600, paused_ms=3, elapsed_ms=4)
        floats = FLOAT in (stage, resume if stage == PAUSED else stage)
        assert now.target_mv() == (53_600 if floats else TARGET_MV)
        now.adjust("absorption_mv", 53_600)
        assert now.target_mv() == (53_599 if floats else 53_600)
        assert now.shown_ms() == (3 if stage == PAUSED else 4)


def test_the_newest_adjustment_stands_for_its_setting_alone() -> None:
    """One row for each setting, within the bounds that the installer gave for it."""
    now = at(adjustable=(("absorption_ms", 1, 99_000), ("dwell_ms", 2, 3)))
    assert now.bounds("absorption_ms") == (1, 99_000)
    assert now.bounds("dwell_ms") == (2, 3)
    assert now.bounds("tolerance_mv") is None
    for field, value in (("absorption_ms", 5), ("dwell_ms", 2), ("absorption_ms", 9)):
        now.adjust(field, value)
    assert sorted(now.adjusted) == [("absorption_ms", 9), ("dwell_ms", 2)]
    assert (now.in_force.absorption_ms, now.in_force.dwell_ms) == (9, 2)


def test_the_installers_numbers_are_in_force() -> None:
    """Each of them; a voltage that is left open follows from the number of cells."""
    plain = StageSettings()
    given: dict[str, object] = {
        name: getattr(plain, name) or high
        for name, low, high, _ in STAGE_INTS
        if name not in ("absorption_mv", "float_mv")
    }
    given |= {"absorption_mv": 56_000, "float_mv": 54_000, "tolerance_mv": 90}
    now = at(**given)
    assert {name: getattr(now.in_force, name) for name in given} == given
    eight = Stages(BankSettings([PackSettings("oak")], cell_count=8))
    assert (eight.in_force.absorption_mv, eight.in_force.float_mv) == (27_600, 26_800)
