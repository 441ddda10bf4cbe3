"""Each condition of a finding at its edge and one beside it."""

from typing import Any

import pytest

from aggregator import BankSettings, PackSettings
from aggregator.bank import Bank
from aggregator.cycle import ABSORPTION, BULK, FLOAT, PAUSED
from aggregator.findings import (
    BANK_FINDINGS,
    HOUR_MS,
    PACK_FINDINGS,
)
from aggregator.loss import carried_after_loss_ma
from aggregator.presence import FROZEN
from aggregator.reference import NO_CAP

CONDITIONS: dict[str, Any] = {row[0]: row[1] for row in BANK_FINDINGS + PACK_FINDINGS}
OTHER = {"charge": "discharge", "discharge": "charge"}


def bank(**settings: object) -> Bank:
    """Two packs, fir and oak, of which nothing is known."""
    packs = [PackSettings("fir"), PackSettings("oak", opens_path_on_refusal=True)]
    return Bank(BankSettings(packs, **settings))  # type: ignore[arg-type]


def told(one: Bank, **columns: object) -> Bank:
    """The bank with these columns: `charge__flow_ma` is that of the charge side, and so on."""
    for name, value in columns.items():
        part, _, field = name.partition("__")
        setattr(one.charge.limit if part == "limit" else getattr(one, part), field, value)
    return one


def holds(name: str, one: Bank, pack: str | None = None) -> bool:
    """Does the condition of this name hold?"""
    found = CONDITIONS[name](one) if pack is None else CONDITIONS[name](one, one.find(pack))
    assert type(found) is bool
    return found


@pytest.mark.parametrize(
    ("side", "name"), [("charge", "charger_ignores_limit"), ("discharge", "load_above_limit")]
)
@pytest.mark.parametrize(
    ("limit_ma", "slack_ma"), [(0, 1_000), (20_000, 1_000), (20_020, 1_001), (100_000, 5_000)]
)
@pytest.mark.parametrize("which", ["limit", "peak_ma", "last_peak_ma"])
def test_a_total_is_above_the_limit_by_more_than_sensors_explain(
    side: str, name: str, limit_ma: int, slack_ma: int, which: str
) -> None:
    """1 A or a twentieth, above the highest limit of the last seconds, in this direction alone."""
    one = bank()
    part = getattr(one, side)
    if which == "limit":
        part.limit.value = limit_ma
    else:
        setattr(part, which, limit_ma)
    part.total_ma = limit_ma + slack_ma
    assert not holds(name, one)
    part.total_ma += 1
    assert holds(name, one)
    part.total_ma = 0
    getattr(one, OTHER[side]).total_ma = 10 * limit_ma + 10_000
    assert not holds(name, one)


@pytest.mark.parametrize("side", ["charge", "discharge"])
def test_a_loss_overloads_the_rest_by_the_first_milliampere(side: str) -> None:
    """Either direction; no total, no loss."""
    one = bank()
    part = getattr(one, side)
    part.room_ma = [40_000, 50_000]
    part.total_ma = 100_000
    for flows_ma, carried_ma in (([60_000, 50_000], 90_000), ([50_000, 40_000], 100_000)):
        part.limit_ma = [
            room_ma + flow_ma for room_ma, flow_ma in zip(part.room_ma, flows_ma, strict=True)
        ]
        assert carried_after_loss_ma(part, one.shares) == carried_ma
        assert holds("pack_loss_overloads_rest", one) is (carried_ma < 100_000)
    part.room_ma, part.limit_ma = [-10, -10], [0, 0]
    for total_ma, found in ((1, True), (0, False), (-1, False)):
        part.total_ma = total_ma
        assert holds("pack_loss_overloads_rest", one) is found


@pytest.mark.parametrize(("learned", "found"), [(False, True), (True, False)])
def test_a_loss_is_judged_by_learned_shares_where_they_may_be_used(
    learned: bool, found: bool
) -> None:
    """At most half of what is lost goes to either of three, where that is known."""
    packs = [PackSettings(name) for name in ("elm", "fir", "oak")]
    one = Bank(BankSettings(packs, discharge_sharing="learned"))
    one.shares.learned = learned
    one.shares.upper_permille = [400, 400, 400]
    part = one.discharge
    part.room_ma, part.limit_ma, part.total_ma = [45_000] * 3, [95_000] * 3, 150_000
    part.steady.take(part.total_ma, part.room_ma, 1)
    assert holds("pack_loss_overloads_rest", one) is found


@pytest.mark.parametrize(
    ("stage", "arrived", "reached_ms", "found"),
    [
        (BULK, True, 0, True),
        (ABSORPTION, True, 0, True),
        (FLOAT, True, 0, False),
        (PAUSED, True, 0, False),
        (BULK, False, 0, False),
        (BULK, True, 1, False),
    ],
)
def test_a_cell_blocks_absorption_before_the_target_is_reached(
    stage: str, arrived: bool, reached_ms: int, found: bool
) -> None:
    """In bulk and absorption, while the voltage has not arrived and a cell has."""
    one = told(bank(), stages__stage=stage, stages__reached_ms=reached_ms)
    one.stages.facts.cell_arrived = arrived
    assert holds("cell_blocks_absorption", one) is found


STALL = {"charge__total_ma": 0, "limit__value": 1, "charge__headroom_ma": 1}
STALL |= {"charge__contributions_ma": 2}


@pytest.mark.parametrize(
    ("columns", "found"),
    [
        ({}, True),
        ({"charge__total_ma": 1_000}, True),
        ({"charge__total_ma": 1_001}, False),
        ({"charge__total_ma": -1_000}, True),
        ({"charge__total_ma": -1_001}, False),
        ({"limit__value": 0, "charge__headroom_ma": 0}, False),
        ({"charge__headroom_ma": 2}, False),
        ({"charge__contributions_ma": 1}, False),
        ({"stages__stage": ABSORPTION}, False),
    ],
)
def test_headroom_stalls_where_it_alone_holds_the_limit(
    columns: dict[str, object], found: bool
) -> None:
    """Next to nothing flows in bulk, and the packs would take more than the room allows."""
    assert holds("headroom_stalls", told(bank(), **{**STALL, **columns})) is found
    assert not holds("headroom_stalls", told(bank(charger_limits="output"), **STALL))


def test_what_is_said_of_shares() -> None:
    """Not learned, and could not be."""
    one = bank()
    assert (holds("share_implausible", one), holds("shares_not_learned", one)) == (False, True)
    one.shares.implausible = one.shares.learned = True
    assert (holds("share_implausible", one), holds("shares_not_learned", one)) == (True, False)


@pytest.mark.parametrize("side", ["charge", "discharge"])
@pytest.mark.parametrize("pack", ["fir", "oak"])
def test_a_pack_is_over_its_own_limit_by_more_than_1_a(side: str, pack: str) -> None:
    """Either direction, either pack, and only where it says a limit."""
    one = bank()
    part, i = getattr(one, side), one.names.index(pack)
    part.own_ma[i] = 50_000
    for flow_ma, found in ((51_000, False), (51_001, True)):
        part.flow_ma[i] = flow_ma
        assert holds("pack_over_own_limit", one, pack) is found
        assert not holds("pack_over_own_limit", one, one.names[1 - i])
    part.own_ma[i] = 0
    assert holds("pack_over_own_limit", one, pack)
    part.own_ma[i] = None
    assert not holds("pack_over_own_limit", one, pack)


@pytest.mark.parametrize("side", ["charge", "discharge"])
@pytest.mark.parametrize("pack", ["fir", "oak"])
def test_current_flows_into_a_pack_that_refuses(side: str, pack: str) -> None:
    """More than 1 A, where the board says no."""
    one = bank()
    part, i = getattr(one, side), one.names.index(pack)
    part.says_no[i] = 1
    for flow_ma, found in ((1_000, False), (1_001, True)):
        part.flow_ma[i] = flow_ma
        assert holds("current_into_refusing_pack", one, pack) is found
        assert not holds("current_into_refusing_pack", one, one.names[1 - i])
    part.says_no[i] = 0
    assert not holds("current_into_refusing_pack", one, pack)


@pytest.mark.parametrize("side", ["charge", "discharge"])
@pytest.mark.parametrize("pack", ["fir", "oak"])
def test_idle_circulation_is_more_than_a_pack_may_take(side: str, pack: str) -> None:
    """With a quiet total only, a limit that binds, no room left, and more than 1 A."""
    name = "idle_circulation_above_limit"
    one = told(bank(), charge__quiet_ma=5_000)
    part, i = getattr(one, side), one.names.index(pack)
    part.flow_ma[i], part.limit_ma[i], part.room_ma[i] = 1_001, NO_CAP - 1, -1
    for total_ma in (-5_001, -5_000, 5_000, 5_001):
        one.charge.total_ma = total_ma
        assert holds(name, one, pack) is (-5_000 <= total_ma <= 5_000)
    one.charge.total_ma = 0
    assert not holds(name, one, one.names[1 - i])
    for column, bad, good in (
        (part.flow_ma, 1_000, 1_001),
        (part.limit_ma, NO_CAP, NO_CAP - 1),
        (part.room_ma, 0, -1),
    ):
        column[i] = bad
        assert not holds(name, one, pack)
        column[i] = good
        assert holds(name, one, pack)


@pytest.mark.parametrize("side", ["charge", "discharge"])
@pytest.mark.parametrize(
    ("pack", "refusing", "closed", "found"),
    [
        ("fir", 1, None, True),
        ("fir", 0, None, False),
        ("fir", 1, True, False),
        ("fir", 1, False, False),
        ("oak", 1, None, False),  # its maker says that the path opens
    ],
)
def test_the_path_of_a_refusing_pack_is_unknown(
    side: str, pack: str, refusing: int, closed: bool | None, found: bool
) -> None:
    """By neither its word nor the setting."""
    one = bank()
    part, i = getattr(one, side), one.names.index(pack)
    part.refusing[i], part.closed[i] = refusing, closed
    assert holds("refusal_path_unknown", one, pack) is found
    assert not holds("refusal_path_unknown", one, one.names[1 - i])


def test_frozen_is_what_the_pack_is_silent_for() -> None:
    """Nothing else is."""
    one = bank()
    assert not holds("readings_frozen", one, "fir")
    one.packs[0].silence = FROZEN
    assert holds("readings_frozen", one, "fir")
    assert not holds("readings_frozen", one, "oak")


@pytest.mark.parametrize(
    ("columns", "found"),
    [
        ({}, True),
        ({"soc": None}, False),
        ({"soc": 950}, False),
        ({"open": 1}, False),
        ({"stage": BULK}, False),
        ({"elapsed_ms": HOUR_MS + 1}, False),
        ({"why": "absorption_longest"}, False),
        ({"flow_ma": 10_000}, True),
        ({"flow_ma": 10_001}, False),
        ({"flow_ma": -10_000}, True),
        ({"flow_ma": -10_001}, False),
        ({"capacity_mah": 200_019, "flow_ma": 10_001}, False),
        ({"capacity_mah": 200_020, "flow_ma": 10_001}, True),
        ({"capacity_mah": None}, True),
        ({"capacity_mah": None, "flow_ma": 1}, False),
        ({"capacity_mah": None, "flow_ma": -1}, False),
    ],
)
def test_a_counter_disagrees_with_a_full_bank(columns: dict[str, Any], found: bool) -> None:
    """Below 95 % in the first hour of float, while the pack takes no more than its tail."""
    state: dict[str, Any] = {
        "soc": 949, "open": 0, "stage": FLOAT, "elapsed_ms": HOUR_MS, "why": "tails_small",
        "flow_ma": 0, "capacity_mah": 200_000, **columns,
    }  # fmt: skip
    one = bank()
    pack = one.packs[1]
    pack.soc_permille, pack.capacity_mah = state["soc"], state["capacity_mah"]
    one.charge.open[1], one.charge.flow_ma[1] = state["open"], state["flow_ma"]
    one.stages.stage, one.stages.why = state["stage"], state["why"]
    one.stages.elapsed_ms = state["elapsed_ms"]
    assert holds("soc_disagrees_with_full", one, "oak") is found
