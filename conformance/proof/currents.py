"""Theorems about the two currents: their sum, the room of the tightest pack, the loss of a pack."""

from typing import Any
from unittest import mock

from aggregator import headroom as room
from aggregator.direction import Direction
from aggregator.reference import MOST_ROOM_MA, NO_CAP, Reference
from aggregator.settings import MOST_PACKS
from aggregator.shares import Shares
from conformance.proof.rows import BANK_MA, HEARD, OPEN, PACK_MA, SILENT, Rows
from conformance.proof.symbolic import Formula, Paths, RefutedError, both, either, implies
from conformance.proof.theorem import lemma, theorem

TURN_MS = 1_000


@theorem
def contributions(paths: Paths, packs: int | None) -> None:
    """The cap `contributions` is the sum of what the packs that count may take, and 0 or more.

    Nothing is assumed of headroom: its two formulas may answer anything.
    """
    rows = Rows(paths, packs, HEARD, OPEN, SILENT)
    side: Direction = rows.bank().charge  # both sides inherit what is run here
    rows.fill(side)
    side.quiet_ma = BANK_MA
    whatever = mock.Mock(return_value=paths.integer("headroom", -BANK_MA, BANK_MA))
    with mock.patch.multiple(room, _widest=whatever, _back_off=whatever):
        room.survey(side, TURN_MS, None, Shares(len(rows.rows)))
    added = sum(row.contribution_ma for row in rows.rows if row.kind == HEARD)
    paths.claim(side.contributions_ma >= 0, side.contributions_ma == added)


def takes(part: Any, whole: Any) -> Formula:
    """Of a change `whole` of the total a pack takes `part`: between nothing and all of it."""
    more = implies(whole >= 0, both(part >= 0, part <= whole))
    return both(more, implies(whole < 0, both(part <= 0, part >= whole)))


@lemma
def earlier_alone(paths: Paths) -> None:
    """At every total up to the safe total that an earlier reading gives one pack, it is within L_i.

    It takes between nothing and all of a change of the total, and of a rise at most its upper bound,
    learned or assumed; at the reading it was not above its present limit. The reading may belong to
    a higher total than the one that was kept with it, as `steady` allows.
    """
    reading = Reference(1)
    reading.total_ma = paths.integer("reading_total", -BANK_MA, BANK_MA)
    limit_ma = paths.integer("limit", 0, PACK_MA)
    flow_ma = paths.integer("flow", -PACK_MA, PACK_MA)
    paths.assume(flow_ma <= limit_ma)
    reading.room_ma[0] = limit_ma - flow_ma
    inverse = paths.integer("assumed_permille", 1_000, 64_000)
    upper = paths.integer("upper_permille", 1, 1_000)
    learned = paths.choose("learned", (False, True))
    safe_ma = reading.learned_total_ma([upper]) if learned else reading.safe_total_ma(inverse)
    total = paths.integer("total", -2 * BANK_MA, 2 * BANK_MA)
    part = paths.integer("part", -4 * BANK_MA, 4 * BANK_MA)
    taken_at = paths.integer("taken_at", -BANK_MA, BANK_MA)
    paths.assume(taken_at >= reading.total_ma)
    more = total - taken_at
    bound = part * 1_000 <= more * upper if learned else part * inverse <= more * 1_000
    paths.assume(total <= safe_ma, takes(part, more), implies(more >= 0, bound))
    paths.claim(flow_ma + part <= limit_ma)


@lemma
def rooms_follow(paths: Paths) -> None:
    """The room of an earlier reading is always that of the pack's present limit, whatever it was.

    Each change of the limit is one of any number.
    """
    side: Direction = Rows(paths, 1, OPEN).bank().charge
    before, after = (paths.integer(name, 0, NO_CAP) for name in ("before", "after"))
    flow_ma = paths.integer("flow", -PACK_MA, PACK_MA)
    side.limit_ma[0] = before
    for reading in (side.quiet, side.steady):
        reading.room_ma[0] = before - flow_ma
    side._bind(0, after)
    rooms = [reading.room_ma[0] for reading in (side.quiet, side.steady)]
    paths.claim(side.limit_ma[0] == after, *(ma == after - flow_ma for ma in rooms))


@theorem
def earlier(paths: Paths, packs: int | None) -> None:
    """The safe total that an earlier reading gives a bank is that of one pack with the least room.

    Where shares are learned: it is at most that of each pack alone.
    """
    paths.opaque = True
    rows = Rows(paths, packs, HEARD, OPEN)
    reading = any_reading(rows)
    inverse = paths.integer("assumed_permille", 1_000, 64_000)
    uppers: Any = [paths.integer(f"upper_{i}", 1, 1_000) for i in range(len(rows.rows))]
    learned = paths.choose("learned", (False, True))
    safe_ma = reading.learned_total_ma(uppers) if learned else reading.safe_total_ma(inverse)
    least_ma = min(reading.room_ma)
    alone = Reference(1)
    claims: list[Any] = [True]
    for i in rows.places:
        alone.take(reading.total_ma, [reading.room_ma[i] if learned else least_ma], 1)
        if not learned:
            claims.append(least_ma <= reading.room_ma[i])
            claims.append(safe_ma == alone.safe_total_ma(inverse))
        elif rows.rows[i].kind == HEARD:
            claims.append(safe_ma <= alone.learned_total_ma([uppers[i]]))
    paths.claim(*claims)


def any_reading(rows: Rows) -> Reference:
    """Return an earlier reading of these rows: rooms of any size, also below 0."""
    reading = Reference(len(rows.rows))
    reading.total_ma = rows.paths.integer("reading_total", -BANK_MA, BANK_MA)
    for i, row in enumerate(rows.rows):
        low, high = (MOST_ROOM_MA, 2 * NO_CAP) if row.kind == OPEN else (-PACK_MA, 2 * PACK_MA)
        reading.room_ma[i] = rows.paths.integer(f"reading_room_{i}", low, high)
    return reading


@lemma
def steady(paths: Paths) -> None:
    """A steady reading is kept with a total that is not above any total of its window.

    Each step is one of any number: what the window's lowest total was, it is or falls. A window that
    was disturbed, or in which the total moved too far, is not kept.
    """
    side: Direction = Rows(paths, 1, OPEN).bank().charge
    room_ma = side.room_ma[0] = paths.integer("room", -PACK_MA, 2 * PACK_MA)
    total_ma = side.total_ma = paths.integer("total", -BANK_MA, BANK_MA)
    low_ma = side.window_low_ma = paths.integer("low", -BANK_MA, BANK_MA)
    high_ma = side.window_high_ma = paths.integer("high", -BANK_MA, BANK_MA)
    paths.assume(low_ma <= high_ma)
    side.coherent_ma = paths.integer("coherent", 0, BANK_MA)
    side.window_left_ms = paths.integer("left_ms", 0, 600_000)
    side.some_late = paths.choose("late", (False, True))
    side.disturbed = disturbed = paths.choose("disturbed", (False, True))
    room._keep_steady(side, TURN_MS)
    kept = side.steady
    paths.claim(
        side.window_low_ma <= total_ma,
        either(side.window_low_ma <= low_ma, side.window_low_ma == total_ma),  # else: a new window
    )
    if kept.valid:
        paths.claim(
            kept.total_ma <= total_ma,
            kept.total_ma <= low_ma,
            kept.room_ma[0] == room_ma,
            high_ma - kept.total_ma <= side.coherent_ma,
            not disturbed and not side.some_late,
        )


@lemma
def assumed_share(paths: Paths) -> None:
    """The assumed bound of a share is no smaller than 1/(1 + (n - 1)/ratio), for 1..64 packs.

    Any ratio that the settings allow; every number is tried.
    """
    side = Rows(paths, 1, OPEN).bank().charge
    for packs in range(1, MOST_PACKS + 1):
        side.connected = bytearray([1] * packs + [0] * (MOST_PACKS - packs))
        for ratio in range(1, 21):
            side.bank.assumed_resistance_ratio = ratio
            inverse = room._assumed_permille(side)
            if not 1_000 <= inverse <= 1_000 * (ratio + packs - 1) / ratio:
                raise RefutedError(f"packs = {packs}, ratio = {ratio}: {inverse}")
    paths.claim(True)


@lemma
def widest(paths: Paths) -> None:
    """The cap `headroom` is a safe total where no pack is above its limit: one of its readings' is.

    "Safe" is any property that holds at all totals up to the present total plus the least room, and
    at all up to the safe total of each earlier reading that is good; the total is positive, or not
    above the present one.
    """
    side: Direction = paths.choose("direction", Rows(paths, 1, OPEN).bank().currents)
    shares = Shares(1)
    shares.learned = paths.choose("learned", (False, True))
    side.learns = paths.choose("learns", (False, True))
    side.widens = paths.choose("widens", (False, True))
    side.total_ma = paths.integer("present_total", -BANK_MA, BANK_MA)
    least_room = paths.integer("least_room", 0, 2 * PACK_MA)
    total = paths.integer("total", -BANK_MA, 2 * BANK_MA)
    safe = paths.proposition("safe")
    paths.assume(implies(total <= side.total_ma + least_room, safe))
    side.connected = bytearray([1] * 4)  # so that the assumed bound is another than none
    assumed = room._assumed_permille(side)

    def told(reading: Reference) -> Any:
        """Whatever the reading's safe total is; at the reading no pack was above its present L_i."""
        paths.claim(reading.valid, reading.room_ma[0] >= 0)
        name = "safe_steady" if reading is side.steady else "safe_quiet"
        safe_ma = paths.integer(name, -BANK_MA, BANK_MA)
        paths.assume(implies(total <= safe_ma, safe))
        return safe_ma

    def safe_total_ma(reading: Reference, inverse: int) -> Any:
        paths.claim(inverse <= (assumed if reading is side.steady else 1_000))
        return told(reading)

    def learned_total_ma(reading: Reference, upper: Any) -> Any:
        paths.claim(reading is side.steady, shares.learned, upper is shares.upper_permille)
        return told(reading)

    side.quiet.valid = paths.choose("quiet", (False, True))
    side.steady.valid = paths.choose("steady", (False, True))
    side.quiet.room_ma = [paths.integer("quiet_room", -2 * PACK_MA, 2 * PACK_MA)]
    side.steady.room_ma = [paths.integer("steady_room", -2 * PACK_MA, 2 * PACK_MA)]
    with mock.patch.multiple(
        Reference, safe_total_ma=safe_total_ma, learned_total_ma=learned_total_ma
    ):
        most = max(0, room._widest(side, least_room, shares))
    paths.assume(total <= most, either(total > 0, total <= side.total_ma))
    paths.claim(safe)


@theorem
def headroom(paths: Paths, packs: int | None) -> None:
    """At every total up to the present one plus the least room every pack with a path is within L_i.

    Every pack takes between nothing and all of a change of the total (superposition, s_i >= 0 with
    sum 1, is a case of it); readings are exact, and now no pack is above its limit. What `widest`
    makes of the room is the cap; a quiet moment is kept with its rooms and no higher total.
    """
    rows = Rows(paths, packs, HEARD, OPEN)
    rows.within_limits()
    side: Direction = paths.choose("direction", rows.bank().currents)
    rows.fill(side)
    side.quiet_ma = paths.integer("quiet_ma", 0, BANK_MA)
    side.window_low_ma = side.last_low_ma = paths.integer("low_ma", -BANK_MA, BANK_MA)
    side.window_high_ma = side.last_high_ma = paths.integer("high_ma", -BANK_MA, BANK_MA)
    answer = paths.integer("answer", -BANK_MA, BANK_MA)
    asked = mock.Mock(return_value=answer)
    with mock.patch.object(room, "_widest", asked):
        room.survey(side, TURN_MS, None, Shares(len(rows.rows)))
    present = sum(rows.flows())
    if side.quiet.valid:
        pairs = zip(side.quiet.room_ma, side.room_ma, strict=True)
        paths.claim(side.quiet.total_ma <= present, *(kept == ma for kept, ma in pairs))
    if not asked.called:
        paths.claim(all(row.kind == OPEN for row in rows.rows), side.tightest < 0)
        return
    total = paths.integer("total", -BANK_MA, 2 * BANK_MA)
    paths.assume(total <= side.total_ma + asked.call_args.args[1])
    claims = [either(side.headroom_ma == answer, both(answer < 0, side.headroom_ma == 0))]
    for i in rows.places:
        if rows.rows[i].kind == HEARD:
            flow = paths.integer(f"reached_{i}", -2 * BANK_MA, 2 * BANK_MA)
            paths.assume(takes(flow - rows.rows[i].flow_ma, total - present))
            claims.append(flow <= rows.rows[i].limit_ma)
    paths.claim(*claims)


@theorem
def ages(paths: Paths, packs: int | None) -> None:
    """The present total plus the least room is a safe total for readings of any age, each its own.

    A pack's current never falls as the total rises. Each reading was taken at a total that was itself
    safe: not above the least total at which some pack is at its limit. None shows a pack above its
    limit. The total is the sum of those readings, as the survey makes it.
    """
    rows = Rows(paths, packs, HEARD, OPEN)
    rows.within_limits()
    side: Direction = rows.bank().charge
    rows.fill(side)
    side.quiet_ma = 0
    with mock.patch.object(room, "_widest", return_value=0) as widest:
        room.survey(side, TURN_MS, None, Shares(len(rows.rows)))
    claims: list[Any] = [True]
    for i in rows.places:
        if rows.rows[i].kind == HEARD:
            # What the others carry at the total at which pack i is at its limit: not less than
            # they did at the lower total of their reading.
            others = paths.integer(f"others_{i}", -2 * BANK_MA, 2 * BANK_MA)
            paths.assume(others >= sum(flow for j, flow in enumerate(rows.flows()) if j != i))
            at_limit = rows.rows[i].limit_ma + others
            claims.append(side.total_ma + widest.call_args.args[1] <= at_limit)
    paths.claim(*claims)
