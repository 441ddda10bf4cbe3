"""What makes the daily charge move on, by the millisecond, the millivolt and the permille."""

from collections.abc import Callable

import pytest

from aggregator.cycle import FULL_MS, PAUSED, Cycle
from aggregator.stages import (
    TRANSITIONS,
    allowed_again,
    asked,
    cell_arrived,
    charge_low,
    denied,
    dipped,
    full,
    longest,
    night,
    served,
    target_held,
    time_over,
    voltage_low,
)
from tests.stage_clock import UNTIL_FULL, at

Guard = Callable[[Cycle], bool]
TAILS = {**UNTIL_FULL, "tails_ms": 10_000, "held_ms": 40_000}
SOON = {"since_start_ms": 49_999}  # a start too soon after the last
GUARDS: tuple[tuple[Guard, dict[str, object], bool], ...] = (
    (denied, {"denied": True}, True),
    (denied, {}, False),
    (denied, {"denied": True, "stage": PAUSED}, False),
    (allowed_again, {}, True),
    (allowed_again, {"denied": True}, False),
    (target_held, {"reached_ms": 10_000}, True),
    (target_held, {"reached_ms": 9_999}, False),
    (target_held, {"reached_ms": 1, "dwell_ms": 0}, True),
    (target_held, {"reached_ms": 0, "dwell_ms": 0}, False),
    (cell_arrived, {"arrived_ms": 10_000}, True),
    (cell_arrived, {"arrived_ms": 9_999}, False),
    (cell_arrived, {"arrived_ms": 1, "dwell_ms": 0}, True),
    (cell_arrived, {"arrived_ms": 0, "dwell_ms": 0}, False),
    (longest, {"absorbing_ms": 90_000}, True),
    (longest, {"absorbing_ms": 89_999}, False),
    (served, {"held_ms": 60_000}, True),
    (served, {"held_ms": 59_999}, False),
    (served, {"held_ms": 60_000, **UNTIL_FULL}, False),
    (full, TAILS, True),
    (full, {**TAILS, "absorption_mode": "timer"}, False),
    (full, {**TAILS, "tails_ms": 9_999}, False),
    (full, {**TAILS, "held_ms": 39_999}, False),
    (full, {**TAILS, "dwell_ms": 0, "tails_ms": 1}, True),
    (full, {**TAILS, "dwell_ms": 0, "tails_ms": 0}, False),
    (dipped, {"dip_ms": 20_000}, False),
    (dipped, {"dip_ms": 20_001}, True),
    (asked, {"asked": True}, True),
    (asked, {}, False),
    (asked, {"asked": True, **SOON}, False),
    (time_over, {"elapsed_ms": 80_000}, True),
    (time_over, {"elapsed_ms": 79_999}, False),
    (time_over, {"elapsed_ms": 80_000, **SOON}, False),
    (time_over, {"elapsed_ms": FULL_MS, "restart_after_ms": None}, False),
    (charge_low, {"soc_permille": 299}, True),
    (charge_low, {"soc_permille": 300}, False),
    (charge_low, {"soc_permille": None}, False),
    (charge_low, {"soc_permille": 299, **SOON}, False),
    (charge_low, {"soc_permille": 0, "restart_below_soc_permille": None}, False),
    (voltage_low, {"low_ms": 60_000}, True),
    (voltage_low, {"low_ms": 59_999}, False),
    (voltage_low, {"low_ms": 60_000, **SOON}, False),
    (night, {"idle_ms": 70_000}, True),
    (night, {"idle_ms": 69_999}, False),
    (night, {"idle_ms": 70_000, **SOON}, False),
    (night, {"idle_ms": FULL_MS, "restart_after_idle_ms": None}, False),
)


@pytest.mark.parametrize(("guard", "state", "holds"), GUARDS)
def test_every_guard_turns_at_its_edge(guard: Guard, state: dict[str, object], holds: bool) -> None:
    """At the setting and one beside it, with the setting off, and too soon after the last start."""
    assert guard(at(**state)) is holds  # type: ignore[arg-type]


def test_every_guard_of_the_table_has_its_edges_here() -> None:
    """Each with a case that holds and one that does not."""
    for guard in {row[1] for row in TRANSITIONS}:
        assert {holds for other, _, holds in GUARDS if other is guard} == {True, False}
