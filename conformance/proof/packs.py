"""Lemmas about one pack: what it leaves in the columns, whatever it says and however it is set."""

from typing import Any
from unittest import mock

from aggregator import derate, direction, drift
from aggregator.bank import Bank
from aggregator.direction import Direction
from aggregator.pack import LATE, LIVE, REMOVED, UNHEARD, Pack
from aggregator.presence import FROZEN, FROZEN_LATE
from aggregator.reference import NO_CAP
from aggregator.voltage import VoltageSide
from conformance.proof.rows import HIGHEST_MV, PACK_MA
from conformance.proof.symbolic import Paths, both, either, negation
from conformance.proof.tables import any_bank
from conformance.proof.theorem import lemma


def perhaps(paths: Paths, name: str, high: int, low: int = 0) -> Any:
    """Return any integer of the range, or None."""
    return paths.integer(name, low, high) if paths.choose(name + "_known", (True, False)) else None


def any_pack(paths: Paths, bank: Bank, side: Direction) -> Pack:
    """Return the bank's pack as any report and settings, and any silence, may have left it."""
    pack = bank.packs[0]
    pack.presence = paths.choose("presence", (LIVE, LATE, UNHEARD, REMOVED))
    pack.current_ma = perhaps(paths, "current", PACK_MA, -PACK_MA)
    pack.withheld = paths.choose("withheld", (False, True))
    settings = pack.settings
    settings.opens_path_on_refusal = paths.choose("opens_path_on_refusal", (False, True))
    settings.charge_current_ceiling_ma = settings.discharge_current_ceiling_ma = 0  # for the ramp
    settings.unheard_charge_current_ma = paths.integer("unheard_current", 0, PACK_MA)
    settings.unheard_discharge_current_ma = settings.unheard_charge_current_ma
    bank.settings.zero_current_ma = paths.integer("zero_current", 100, 20_000)
    allowed = paths.choose("allowed", (True, False, None))
    side.hear(0, None, allowed, paths.choose("path_closed", (True, False, None)))
    return pack


@lemma
def derating(paths: Paths) -> None:
    """A curve of permille 0..1000 leaves 0..1000 permille at every reading.

    Curves of up to four points with rising x; a longer one only goes on in the same loop.
    """
    points: list[Any] = []
    for i in range(paths.choose("points", range(5))):
        at = paths.integer(f"x_{i}", -500, 5_000)
        if points:
            paths.assume(at > points[-1][0])
        points.append((at, paths.integer(f"permille_{i}", 0, 1_000)))
    curve = tuple(points)
    # The coldest and the hottest sensor are read from one curve, each like the extreme cell.
    left = derate.cell_permille(curve, perhaps(paths, "reading", 5_000, -500))
    paths.claim(left >= 0, left <= 1_000)


def derated(paths: Paths) -> tuple[Direction, Pack, list[Any]]:
    """Return a side and its pack with any tolerance, margin and derating, and what each leaves."""
    bank = any_bank(paths)
    side: Direction = paths.choose("direction", bank.currents)
    settings = bank.packs[0].settings
    settings.charge_current_ceiling_ma = perhaps(paths, "ceiling", PACK_MA)
    settings.discharge_current_ceiling_ma = settings.charge_current_ceiling_ma
    settings.sensor_tolerance_ma = paths.integer("tolerance_ma", 0, 50_000)
    settings.sensor_tolerance_permille = paths.integer("tolerance", 0, 500)
    bank.settings.margin_permille = paths.integer("margin", 0, 500)
    leaves = [paths.integer(name, 0, 1_000) for name in ("by_temperature", "by_cell")]
    setattr(side.way, "by_temperature_permille", lambda _: leaves[0])  # noqa: B010  # for mypy
    setattr(side.way, "by_cell_permille", lambda _: leaves[1])  # noqa: B010
    kept = [1_000 - bank.settings.margin_permille, 1_000 - settings.sensor_tolerance_permille]
    return side, bank.packs[0], kept + leaves


@lemma
def usable(paths: Paths) -> None:
    """What a pack may take is 0 or more, at most its own limit and ceiling, and 0 if that is unknown.

    Its tolerance, the margin and its derating are anything that `derating` and the settings allow. A
    lower limit of its own never gives more.
    """
    side, pack, leaves = derated(paths)
    own_ma = perhaps(paths, "own_limit", PACK_MA)
    lower_ma = None if own_ma is None else paths.integer("lower_limit", 0, PACK_MA)
    ceiling_ma = side.way.ceiling_ma(pack.settings)
    pair = [own_ma or 0, lower_ma or 0]
    paths.assume(pair[1] <= pair[0])
    # The same steps side by side, for the solver: a part of less is less.
    if ceiling_ma is not None:
        pair = [min(ma, ceiling_ma) for ma in pair]
    for i, part in enumerate(leaves):
        if i == 2:
            pair = [max(0, ma - pack.settings.sensor_tolerance_ma) for ma in pair]
        more, less = pair
        paths.lemma(both((more - less) * part >= 0, less * part >= 0, more * part <= more * 1_000))
        pair = [ma * part // 1_000 for ma in pair]
        paths.lemma(both(pair[1] >= 0, pair[1] <= pair[0], pair[0] <= more))
    pack.presence = LIVE
    taken = []
    for ma in (lower_ma, own_ma):
        side.hear(0, ma, True, True)
        side.enter(pack)
        taken.append(side.limit_ma[0])
    less_ma, usable_ma = taken
    paths.claim(
        less_ma >= 0,
        less_ma <= usable_ma,
        usable_ma <= (0 if own_ma is None else own_ma),
        usable_ma <= (PACK_MA if ceiling_ma is None else ceiling_ma),
    )


@lemma
def kept_back(paths: Paths) -> None:
    """What looking ahead keeps back of U, what a pack may take, is between nothing and all of it.

    Of any U, for any current that the pack took over and any margin. Less U never leaves more of it.
    """
    usable_ma = paths.integer("usable", 0, PACK_MA)
    lower_ma = paths.integer("lower", 0, PACK_MA)
    taken_ma = paths.integer("taken", 0, 2 * PACK_MA)
    margin = paths.integer("margin", 0, 500)
    paths.assume(lower_ma <= usable_ma)
    # For the solver: a part of less is less.
    paths.lemma((usable_ma - lower_ma) * margin >= 0)
    kept_ma = drift.kept_back_ma(taken_ma, usable_ma, margin)
    kept_of_lower_ma = drift.kept_back_ma(taken_ma, lower_ma, margin)
    paths.claim(
        kept_ma >= 0, kept_ma <= usable_ma, lower_ma - kept_of_lower_ma <= usable_ma - kept_ma
    )


@lemma
def rows(paths: Paths) -> None:
    """A pack leaves one of three rows, heard, open or silent, and exactly this in the columns.

    What it may take, U: any number that `usable` leaves, of which L is left by `kept_back`, if it
    takes current over, and else all. Its current counts as read; silent, only where it takes room
    away; removed, not. Unless its path is open or it is removed its limit is L, its room L less
    that current. It adds U if it is heard, has a path, and neither refuses nor is withheld; else
    nothing. Silent it grants the lesser of L and its setting; 0 if it refuses and may have a path,
    was above L, or did not tell its current. It is marked if, connected, it so refuses. So U lower
    leaves no column higher; and a pack that falls silent adds nothing and keeps its limit.
    """
    bank = any_bank(paths)
    side: Direction = paths.choose("direction", bank.currents)
    pack = any_pack(paths, bank, side)
    usable_ma = paths.integer("usable", 0, PACK_MA)
    kept_ma = paths.integer("kept_back", 0, PACK_MA)
    paths.assume(kept_ma <= usable_ma)
    taken_ma = paths.choose("taken", (0, 1))
    left_ma = usable_ma - kept_ma if taken_ma else usable_ma
    keeps = mock.patch.object(direction, "kept_back_ma", return_value=kept_ma)
    with mock.patch.object(side, "usable_ma", return_value=usable_ma), keeps:
        side.enter(pack, taken_ma)
    silent, removed = pack.presence == UNHEARD, pack.presence == REMOVED
    connected = pack.presence in (LIVE, LATE)
    flow_ma: Any = side.sign * pack.current_ma if pack.current_ma is not None else 0
    path = not side.open[0]
    refuses = side.says_no[0] == 1 and path
    counted_ma = 0 if removed else min(0, flow_ma) if silent else flow_ma
    adds = connected and path and not refuses and not pack.withheld
    least_ma = min(left_ma, side.way.grant_ma(pack.settings)) if silent else NO_CAP
    untold = pack.current_ma is None
    nothing = either(refuses, untold, flow_ma > left_ma) if silent else False
    grant = side.grant_ma[0]
    paths.claim(
        side.flow_ma[0] == counted_ma,
        side.limit_ma[0] == (left_ma if path and not removed else NO_CAP),
        side.room_ma[0] == (left_ma - counted_ma if path and not removed else NO_CAP),
        side.contribution_ma[0] == (usable_ma if adds else 0),
        either(both(nothing, grant == 0), both(negation(nothing), grant == least_ma)),
        bool(side.refusing[0]) == (connected and refuses),
        side.closed[0] is None or side.closed[0] == path,
    )


@lemma
def presence(paths: Paths) -> None:
    """Both currents and both voltages see that a pack is silent or late, or has no known current.

    One that was found frozen and then fell late is both.

    Presence itself, that is time, is not part of this.
    """
    bank = any_bank(paths)
    pack = bank.packs[0]
    pack.presence = paths.choose("presence", (LIVE, LATE, UNHEARD, REMOVED))
    pack.silence = paths.choose("silence", (None, FROZEN, FROZEN_LATE))
    pack.current_ma = paths.choose("current", (None, 0))
    bank.enter(pack)
    bank.note_presence()
    silent = pack.presence == UNHEARD
    late = pack.presence == LATE or pack.silence == FROZEN_LATE
    unknown = pack.current_ma is None and pack.presence in (LIVE, LATE)
    for side in bank.currents:
        paths.claim(side.some_unheard == silent, side.some_late == late, side.unknown == unknown)
    for voltage in bank.voltages:
        paths.claim((voltage.unheard_pack >= 0) == silent, voltage.some_late == late)


@lemma
def voltage_rows(paths: Paths) -> None:
    """A pack's voltage limit binds with its own sign until it is removed, also when it is silent.

    Whatever it says of its voltage and its cells.
    """
    bank = any_bank(paths)
    pack = bank.packs[0]
    side: VoltageSide = paths.choose("side", bank.voltages)
    pack.voltage_mv = perhaps(paths, "voltage", HIGHEST_MV)
    pack.cell_min_mv = pack.cell_max_mv = perhaps(paths, "cell", 5_000)
    own_mv = perhaps(paths, "own_limit", HIGHEST_MV)
    pack.presence = paths.choose("presence", (LIVE, LATE, UNHEARD, REMOVED))
    side.enter(pack, own_mv)
    member = pack.presence != REMOVED
    paths.claim(
        side.own_mv[0] == (side.sign * own_mv if member and own_mv is not None else NO_CAP),
        side.cell_room_mv[0] == NO_CAP if not member else True,
    )
