"""Theorems about the rule tables: the least cap wins, what each cap means, and permission.

A rule is proved in a table of three rows: itself, and before and after it a row that stands for all
the rules there, whatever they might say. That is exact, because the table is read into a minimum.
"""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any
from unittest import mock

from aggregator import limits, rules
from aggregator.bank import Bank
from aggregator.direction import Direction
from aggregator.reference import NO_CAP
from aggregator.settings import BankSettings, PackSettings
from aggregator.voltage import VoltageSide
from conformance.proof.rows import BANK_MA, HIGHEST_MV
from conformance.proof.symbolic import Paths, both, either, implies, raw
from conformance.proof.theorem import lemma

Rule = tuple[Any, ...]


def around(
    paths: Paths, rule: Rule, low: int, denies: tuple[bool, ...] = (False,)
) -> tuple[Rule, ...]:
    """Return a table of this rule between any others, that allow `low` or more."""

    def other(name: str) -> Rule:
        value = paths.integer(name, low, NO_CAP)
        return (name, lambda _: value, None, paths.choose(name + "_denies", denies))

    return other("before"), rule, other("after")


def ruled(
    side: Direction | VoltageSide, name: str, table: tuple[Rule, ...]
) -> AbstractContextManager[object]:
    """Let `table` stand for the rules of that name, and give the limit as many caps."""
    side.limit.caps = [NO_CAP] * len(table)
    return mock.patch.object(limits, name, table)


def named(table: tuple[Rule, ...], name: str) -> Rule:
    """Return the rule of that name."""
    return next(rule for rule in table if rule[0] == name)


def any_bank(paths: Paths) -> Bank:
    """Return a real bank of one pack."""
    return Bank(BankSettings([PackSettings("p")]))


def any_current(paths: Paths) -> Direction:
    """Return a side with anything that a survey, the owner or the ramp may have left in it."""
    bank = any_bank(paths)
    side = paths.choose("direction", bank.currents)
    for name in ("granted_ma", "headroom_ma", "loss_ma", "wish_ma", "ceiling_ma"):
        setattr(side, name, paths.integer(name, 0, NO_CAP))
    side.contributions_ma = paths.integer("contributions_ma", 0, BANK_MA)
    side.limit.previous = paths.integer("previous", 0, NO_CAP)
    side.limit.ramp_to = paths.integer("ramp_to", 0, NO_CAP)
    for name in ("refuser", "tightest"):
        setattr(side, name, paths.integer(name, -1, 63))
    for name in ("settle_left_ms", "path_left_ms", "dwell_left_ms"):
        setattr(side, name, paths.integer(name, 0, 3_600_000))
    for name in ("wish_stop", "wish_soc", "current_unknown", "some_late", "local_refusal"):
        setattr(side, name, paths.integer(name, 0, 1) > 0)
    return side


# What each rule of the table promises about the limit: 0 when ..., or at most ...
Meaning = Callable[[Any], Any]
ZERO_WHEN: dict[str, Meaning] = {
    "owner_stop": lambda side: side.wish_stop,
    "refuses_but_connected": lambda side: side.refuser >= 0,
    "local_refusal": lambda side: side.local_refusal,
    "current_unknown": lambda side: side.current_unknown,
    "no_path": lambda side: side.tightest < 0,
    "reenable_dwell": lambda side: side.dwell_left_ms > 0,
    "owner_soc": lambda side: side.wish_soc,
}
AT_MOST: dict[str, Meaning] = {
    "unheard": lambda side: side.granted_ma,
    "contributions": lambda side: side.contributions_ma,
    "headroom": lambda side: side.headroom_ma,
    "pack_loss": lambda side: side.loss_ma,
    "bank_ceiling": lambda side: side.ceiling_ma,
    "owner_cap": lambda side: side.wish_ma,
    "ramp": lambda side: side.limit.ramp_to,
}
NO_RISE_WHEN: dict[str, Meaning] = {
    "late_no_rise": lambda side: side.some_late,
    "settling_no_rise": lambda side: side.settle_left_ms > 0,
    "path_no_rise": lambda side: side.path_left_ms > 0,
}


def promise(name: str, side: Direction) -> Any:
    """Return what the rule `name` promises about `side.limit.value`."""
    if name in ZERO_WHEN:
        return implies(ZERO_WHEN[name](side), side.limit.value == 0)
    if name in NO_RISE_WHEN:
        return implies(NO_RISE_WHEN[name](side), side.limit.value <= side.limit.previous)
    return side.limit.value <= AT_MOST[name](side)


@lemma
def caps(paths: Paths) -> None:
    """A current limit is never above any cap: all 17 rules, each by what it promises; nor below 0.

    Every cap is 0 or more, as `rows` and the ranges of settings and wishes make it.
    """
    name = paths.choose("rule", [rule[0] for rule in rules.CURRENT_RULES])
    side = any_current(paths)
    with ruled(side, "CURRENT_RULES", around(paths, named(rules.CURRENT_RULES, name), 0)):
        limits.settle_current(side)
    values = side.limit.caps
    paths.claim(
        promise(name, side),
        side.limit.value >= 0,
        *(side.limit.value <= value for value in values),
        either(*(side.limit.value == value for value in values)),
    )


@lemma
def permission(paths: Paths) -> None:
    """A limit in the view is 0 exactly when its permission is False; a denial makes it so.

    As for `caps`.
    """
    bank = any_bank(paths)
    side = paths.choose("direction", bank.currents)
    cap = paths.integer("cap_ma", 0, NO_CAP)
    table = around(paths, ("cap", lambda _: cap, None, True), 0, (False, True))
    with ruled(side, "CURRENT_RULES", table):
        limits.settle_current(side)
        limits._tell(bank)
    limit_ma = getattr(bank.view, f"{side.way.name}_current_limit_ma")
    allowed = raw(getattr(bank.view, f"{side.way.name}_allowed"))
    paths.claim(
        limit_ma >= 0,
        allowed == raw(limit_ma > 0),
        implies(cap == 0, both(limit_ma == 0, side.denied)),
        implies(side.denied, limit_ma == 0),
    )


VOLTAGE_AT_MOST: dict[str, Meaning] = {
    "own_limit": lambda side: side.tightest_own_mv,
    "ceiling": lambda side: side.end_mv,
    "limp": lambda side: side.limp_mv if side.unheard_pack >= 0 else NO_CAP,
    "extreme_cell": lambda side: side.tightest_cell_mv,
    "stage_target": lambda side: NO_CAP if side.stage.value is None else side.stage.value,
    "owner_voltage_cap": lambda side: NO_CAP if side.wish.value is None else side.wish.value,
    "voltage_late_no_rise": lambda side: side.limit.previous if side.some_late else NO_CAP,
    "voltage_ramp": lambda side: side.limit.ramp_to,
}


@lemma
def voltage_caps(paths: Paths) -> None:
    """No voltage limit is beyond any cap: all 8 rules, each by what it promises.

    Values in the ranges of reports and settings; a discharge voltage is the mirror of a charge one.
    """
    name = paths.choose("rule", [rule[0] for rule in rules.VOLTAGE_RULES])
    bank = any_bank(paths)
    side: VoltageSide = paths.choose("side", bank.voltages)
    for attribute in ("tightest_own_mv", "tightest_cell_mv"):
        setattr(side, attribute, paths.integer(attribute, -HIGHEST_MV, NO_CAP))
    for attribute in ("previous", "ramp_to"):
        setattr(side.limit, attribute, paths.integer(attribute, -HIGHEST_MV, NO_CAP))
    if name in ("stage_target", "owner_voltage_cap") and paths.choose("asked", (True, False)):
        side.stage.value = side.wish.value = paths.integer("asks", -HIGHEST_MV, HIGHEST_MV)
    side.unheard_pack = paths.integer("unheard_pack", -1, 63)
    side.some_late = paths.integer("late", 0, 1) > 0
    table = around(paths, named(rules.VOLTAGE_RULES, name), -HIGHEST_MV)
    with ruled(side, "VOLTAGE_RULES", table):
        limits.settle_voltage(side)
    values = side.limit.caps
    paths.claim(
        side.limit.value <= VOLTAGE_AT_MOST[name](side),
        *(side.limit.value <= value for value in values),
        either(*(side.limit.value == value for value in values)),
    )
