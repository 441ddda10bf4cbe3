"""Theorems about the two voltages."""

from typing import Any

from aggregator import limits, rules
from aggregator.reference import NO_CAP
from aggregator.voltage import VoltageSide
from conformance.proof.rows import HIGHEST_MV, Rows
from conformance.proof.symbolic import Paths
from conformance.proof.tables import around, named, ruled
from conformance.proof.theorem import theorem

MEMBER, UNBOUND = "member", "no limit of its own"


def own_limits(rows: Rows, side: VoltageSide) -> list[Any]:
    """Write the members' own limits into the column; return them (signed mV), NO_CAP for none."""
    for i, row in enumerate(rows.rows):
        if row.kind == MEMBER:
            side.own_mv[i] = side.sign * rows.paths.integer(f"own_{i}", 0, HIGHEST_MV)
    return list(side.own_mv)


@theorem
def member_voltages(paths: Paths, packs: int | None) -> None:
    """The charge voltage is at most every member's own limit, the discharge voltage at least.

    A member is a pack that is not removed and has said its limit. As the view says it, and whatever
    the other rules say.
    """
    rows = Rows(paths, packs, MEMBER, UNBOUND)
    bank = rows.bank()
    side: VoltageSide = paths.choose("side", bank.voltages)
    own = own_limits(rows, side)
    table = around(paths, named(rules.VOLTAGE_RULES, "own_limit"), -HIGHEST_MV)
    with ruled(side, "VOLTAGE_RULES", table):
        side.survey()
        limits.settle_voltage(side)
        limits._tell(bank)
    limit_mv = (
        bank.view.charge_voltage_limit_mv if side.sign > 0 else bank.view.discharge_voltage_limit_mv
    )
    paths.claim(True, *(side.sign * limit_mv <= own[i] for i in rows.places))


@theorem
def stricter_voltage(paths: Paths, packs: int | None) -> None:
    """A member's lower charge (higher discharge) voltage limit never loosens the cap.

    Nothing is assumed.
    """
    rows = Rows(paths, packs, MEMBER, UNBOUND)
    side: VoltageSide = rows.bank().charge_voltage  # both inherit what is run here
    own = own_limits(rows, side)
    side.survey()
    before_mv = side.tightest_own_mv
    changed = paths.choose("changed", rows.places)
    side.moved = True
    side.own_mv[changed] = paths.integer("stricter", -HIGHEST_MV, NO_CAP)
    paths.assume(side.own_mv[changed] <= own[changed])
    side.survey()
    paths.claim(side.tightest_own_mv <= before_mv)
