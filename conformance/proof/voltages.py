"""Theorems about the two voltages."""

from typing import Any
from unittest import mock

from aggregator import limits, rules
from aggregator.reference import NO_CAP
from aggregator.voltage import VoltageSide
from conformance.proof.rows import HIGHEST_MV, Rows
from conformance.proof.symbolic import Paths
from conformance.proof.tables import around, named
from conformance.proof.theorem import theorem

MEMBER, UNBOUND = "member", "no limit of its own"


@theorem
def member_voltages(paths: Paths, packs: int | None) -> None:
    """The charge voltage is at most every member's own limit, the discharge voltage at least.

    A member is a pack that is not removed and has said its limit. As the view says it, and whatever
    the other rules say. A member's lower charge (higher discharge) limit never loosens the cap.
    """
    rows = Rows(paths, packs, MEMBER, UNBOUND)
    bank = rows.bank()
    side: VoltageSide = paths.choose("side", bank.voltages)
    own: list[Any] = [paths.integer(f"own_{i}", 0, HIGHEST_MV) for i in range(len(rows.rows))]
    for i, row in enumerate(rows.rows):
        side.own_mv[i] = side.sign * own[i] if row.kind == MEMBER else NO_CAP
    table = around(paths, named(rules.VOLTAGE_RULES, "own_limit"), -HIGHEST_MV)
    with mock.patch.object(limits, "VOLTAGE_RULES", table):
        side.survey()
        limits.settle_voltage(side)
        limits._tell(bank)
    limit_mv = getattr(bank.view, f"{side.name}_voltage_limit_mv")
    paths.claim(side.tightest_own_mv >= side.value)
    for i in rows.places:
        if rows.rows[i].kind == MEMBER:
            paths.claim(side.sign * limit_mv <= side.sign * own[i])
    before_mv = side.tightest_own_mv
    changed = paths.choose("changed", rows.places)
    side.own_mv[changed] = paths.integer("stricter", -HIGHEST_MV, NO_CAP)
    if rows.rows[changed].kind == MEMBER:
        paths.assume(side.own_mv[changed] <= side.sign * own[changed])
    side.survey()
    paths.claim(side.tightest_own_mv <= before_mv)
