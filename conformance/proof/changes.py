"""Theorems about what changes: a lower limit, a pack that falls silent, a pack that opens.

They compare two surveys by the real code. Where no pack is above its limit, `widest` may answer
anything that its own theorems allow.
"""

from typing import Any
from unittest import mock

from aggregator import headroom as room
from aggregator import loss
from aggregator.direction import Direction
from aggregator.reference import NO_CAP, Reference
from aggregator.shares import Shares
from conformance.proof.currents import TURN_MS, any_reading, takes
from conformance.proof.rows import BANK_MA, HEARD, OPEN, PACK_MA, Row, Rows
from conformance.proof.symbolic import Paths, both, either, implies
from conformance.proof.theorem import lemma, one_by_one, theorem


def surveyed(rows: Rows, changed: list[Row], wide_ma: Any, back_ma: Any) -> Direction:
    """Survey these rows by the real code.

    `wide_ma`, `back_ma`: what its two formulas answer; None: the real ones. Of theirs this much is
    known: `widest-lowered` and `back-off`.
    """
    side: Direction = rows.bank().charge
    rows.fill(side, changed)
    side.quiet_ma = BANK_MA  # any total is quiet: what is then kept is not read here
    shares = Shares(len(changed))
    if wide_ma is None:
        side.widens = True  # even so, nothing that was kept is used
        side.steady.take(rows.paths.integer("kept_total", 0, BANK_MA), side.room_ma, 2 * TURN_MS)
        room.survey(side, TURN_MS, None, shares)
        return side
    with (
        mock.patch.object(room, "_widest", return_value=wide_ma) as widest,
        mock.patch.object(room, "_back_off", return_value=back_ma) as back_off,
    ):
        room.survey(side, TURN_MS, None, shares)
    if widest.called:
        rows.paths.assume(wide_ma >= side.total_ma + widest.call_args.args[1])
    if back_off.called:
        rows.paths.assume(back_ma <= side.total_ma)
    return side


@theorem
def lower_limit(paths: Paths, packs: int | None) -> None:
    """A lower limit of one pack never raises a cap: contributions, grants, headroom.

    Nobody is above its limit before; that pack may be after. Readings and the others are the same.
    """
    rows = Rows(paths, packs, HEARD, OPEN)
    rows.within_limits()
    place = paths.choose("changed", rows.places)
    changed = list(rows.rows)
    changed[place] = rows.rows[place].lowered(paths)
    wide = paths.integer("wide", -BANK_MA, BANK_MA)
    narrow = paths.integer("narrow", -BANK_MA, BANK_MA)
    paths.assume(narrow <= wide)
    back = paths.integer("back", -2 * BANK_MA, BANK_MA)
    before = surveyed(rows, rows.rows, wide, back)
    after = surveyed(rows, changed, narrow, back)
    claim_no_higher(paths, before, after)


@theorem
def silence(paths: Paths, packs: int | None) -> None:
    """A pack that falls silent never raises a cap: contributions, grants, headroom.

    Nobody is above its limit, and that pack's current was known. Everything else is the same.
    """
    rows = Rows(paths, packs, HEARD, OPEN)
    rows.within_limits()
    place = paths.choose("silent", rows.places)
    changed = list(rows.rows)
    changed[place] = rows.rows[place].silenced(paths)
    before = surveyed(rows, rows.rows, paths.integer("wide", -BANK_MA, BANK_MA), 0)
    after = surveyed(rows, changed, None, None)
    claim_no_higher(paths, before, after)
    paths.claim(after.granted_ma <= changed[place].grant_ma)


def claim_no_higher(paths: Paths, before: Direction, after: Direction) -> None:
    """Claim that no cap on the current is higher after than before."""
    paths.claim(
        after.contributions_ma <= before.contributions_ma,
        after.granted_ma <= before.granted_ma,
        after.headroom_ma <= before.headroom_ma,
        (after.tightest < 0) == (before.tightest < 0),
    )


@lemma
def alone_lowered(paths: Paths) -> None:
    """Less room of one pack alone never raises the safe total of an earlier reading.

    Any bound of a share, learned or assumed.
    """
    reading = Reference(1)
    rooms = [paths.integer(name, -PACK_MA, 2 * NO_CAP) for name in ("room", "lower_room")]
    paths.assume(rooms[1] <= rooms[0])
    inverse = paths.integer("assumed_permille", 1_000, 64_000)
    upper = paths.integer("upper_permille", 1, 1_000)
    learned = paths.choose("learned", (False, True))
    # A step for the solver: less is less after a product, too.
    factor = 1_000_000 // upper if learned else inverse
    paths.lemma((rooms[0] // 10 - rooms[1] // 10) * factor >= 0)
    safe = []
    for room_ma in rooms:
        reading.room_ma[0] = room_ma
        safe.append(
            reading.learned_total_ma([upper]) if learned else reading.safe_total_ma(inverse)
        )
    paths.claim(safe[1] <= safe[0])


@theorem
def earlier_lowered(paths: Paths, packs: int | None) -> None:
    """A lower limit of one pack never raises the safe total of an earlier reading.

    As `alone-lowered` proves it of one pack: the changed one, or the one with the least room.
    """
    paths.opaque = True
    rows = Rows(paths, packs, HEARD, OPEN)
    reading, alone = any_reading(rows), Reference(1)
    inverse = paths.integer("assumed_permille", 1_000, 64_000)
    uppers: Any = [paths.integer(f"upper_{i}", 1, 1_000) for i in range(len(rows.rows))]
    place = paths.choose("changed", rows.places)
    learned = paths.choose("learned", (False, True))
    lower_ma = paths.integer("lower_room", -PACK_MA, 2 * NO_CAP)
    paths.assume(lower_ma <= reading.room_ma[place])
    decides, safe, by_itself = [], [], []
    for room_ma in (reading.room_ma[place], lower_ma):
        reading.room_ma[place] = room_ma
        decides.append(room_ma if learned else min(reading.room_ma))
        alone.take(reading.total_ma, decides[-1:], TURN_MS)
        if learned:
            by_itself.append(alone.learned_total_ma([uppers[place]]))
            safe.append(reading.learned_total_ma(uppers))
        else:
            by_itself.append(alone.safe_total_ma(inverse))
            safe.append(reading.safe_total_ma(inverse))
    paths.claim(decides[1] <= decides[0])
    paths.assume(by_itself[1] <= by_itself[0])
    paths.claim(safe[1] <= safe[0])


@lemma
def back_off(paths: Paths) -> None:
    """Where a pack is above its limit, the total falls by at least its excess.

    Two packs, either of which may be above: the loop over packs only takes the least, so that one of
    them may stand for any number. Shares are learned or not, a quiet moment is good or not.
    """
    rows = Rows(paths, 2, HEARD)
    side: Direction = rows.bank().charge
    rows.fill(side)
    side.total_ma = sum(rows.flows())
    shares = Shares(len(rows.rows))
    shares.learned = paths.choose("learned", (False, True))
    shares.lower_permille = [paths.integer(f"lower_{i}", 0, 1_000) for i in range(len(rows.rows))]
    if not shares.learned and paths.choose("quiet", (False, True)):
        side.quiet.take(0, [0, 0], TURN_MS)
    paths.opaque = True  # what the other terms say does not matter: the least is taken
    back_ma = room._back_off(side, shares)
    paths.claim(back_ma <= side.total_ma)
    for i in rows.places:
        paths.claim(
            implies(rows.rows[i].room_ma < 0, back_ma <= side.total_ma + rows.rows[i].room_ma)
        )


@lemma
def widest_lowered(paths: Paths) -> None:
    """The widest of the readings' totals is at least the present one, and no higher for less room.

    An earlier reading's safe total is no higher either, as `earlier-lowered` proves.
    """
    side: Direction = paths.choose("direction", Rows(paths, 1, OPEN).bank().currents)
    shares = Shares(1)
    shares.learned = paths.choose("learned", (False, True))
    side.total_ma = paths.integer("present_total", -BANK_MA, BANK_MA)
    side.quiet.valid = paths.choose("quiet", (False, True))
    side.steady.valid = paths.choose("steady", (False, True))
    side.learns = paths.choose("learns", (False, True))
    side.widens = paths.choose("widens", (False, True))
    rooms, found = [], []
    safe: dict[int, list[Any]] = {0: [], 1: []}
    for turn in range(2):
        rooms.append(paths.integer(f"room_{turn}", 0, 2 * PACK_MA))
        for reading in safe:
            safe[reading].append(paths.integer(f"safe_{reading}_{turn}", -BANK_MA, BANK_MA))
    paths.assume(rooms[1] <= rooms[0], safe[0][1] <= safe[0][0], safe[1][1] <= safe[1][0])
    for turn in range(2):

        def told(reading: Reference, _: Any, turn: int = turn) -> Any:
            return safe[int(reading is side.steady)][turn]

        with mock.patch.multiple(Reference, safe_total_ma=told, learned_total_ma=told):
            found.append(room._widest(side, rooms[turn], shares))
    paths.claim(found[0] >= side.total_ma + rooms[0], found[1] <= found[0])


@one_by_one
def pack_loss(paths: Paths, packs: int | None) -> None:
    """At every total up to the cap `pack_loss`, whichever one pack opens, the rest stay within L_i.

    Shares are not learned. What the rest carry changes, as a whole, from its present total to the
    bank's, and each takes between nothing and all of that change; nobody is above its limit now; the
    total is positive, or not above what the rest carry now.
    """
    rows = Rows(paths, packs, HEARD)
    rows.within_limits()
    side: Direction = rows.bank().charge
    rows.fill(side)
    side.total_ma = sum(rows.flows())
    carried_ma = loss.carried_after_loss_ma(side, Shares(len(rows.rows)))
    total = paths.integer("total", -BANK_MA, BANK_MA)
    if len(rows.rows) == 1:
        paths.claim(carried_ma == NO_CAP)
        return
    claims = []
    for lost in rows.places:
        rest = side.total_ma - rows.rows[lost].flow_ma
        for i in rows.places:
            if i == lost:
                continue
            part = paths.integer(f"part_{lost}_{i}", -2 * BANK_MA, 2 * BANK_MA)
            fair = both(takes(part, total - rest), either(total > 0, total <= rest))
            within = rows.rows[i].flow_ma + part <= rows.rows[i].limit_ma
            claims.append(implies(both(total <= carried_ma, fair), within))
    paths.claim(*claims)
