"""Lemmas about one pack: what it leaves in the columns, whatever it says and however it is set."""

from types import SimpleNamespace
from typing import Any
from unittest import mock

from aggregator import derate
from aggregator.bank import Bank
from aggregator.direction import Direction
from aggregator.pack import LATE, LIVE, REMOVED, UNHEARD, Pack
from aggregator.reference import NO_CAP
from aggregator.voltage import VoltageSide
from conformance.proof.rows import HIGHEST_MV, PACK_MA
from conformance.proof.symbolic import Paths, both, either, implies
from conformance.proof.tables import any_bank
from conformance.proof.theorem import lemma

COLUMNS = [
    "flow_ma",
    "limit_ma",
    "room_ma",
    "contribution_ma",
    "grant_ma",
    "refusing",
    "unknown",
    "open",
]
CONNECTED = (LIVE, LATE)


def perhaps(paths: Paths, name: str, high: int, low: int = 0) -> Any:
    """Return any integer of the range, or None."""
    return paths.integer(name, low, high) if paths.choose(name + "_known", (True, False)) else None


def any_pack(paths: Paths, bank: Bank, current_known: bool = False) -> Pack:
    """Return the bank's pack with anything that reports and settings may have left in it."""
    pack = bank.packs[0]
    low = -PACK_MA
    pack.current_ma = paths.integer("current", low, PACK_MA)
    if not current_known and paths.choose("current_unknown", (False, True)):
        pack.current_ma = None
    pack.withheld = paths.choose("withheld", (False, True))
    settings = pack.settings
    settings.opens_path_on_refusal = paths.choose("opens_path_on_refusal", (False, True))
    settings.charge_current_ceiling_ma = paths.integer("ceiling", 0, PACK_MA)
    settings.discharge_current_ceiling_ma = settings.charge_current_ceiling_ma
    settings.unheard_charge_current_ma = paths.integer("unheard_current", 0, PACK_MA)
    settings.unheard_discharge_current_ma = settings.unheard_charge_current_ma
    bank.settings.zero_current_ma = paths.integer("zero_current", 100, 20_000)
    return pack


def any_word(paths: Paths, side: Direction) -> None:
    """Let the pack permit or refuse this direction, and say what it likes of its path."""
    allowed = paths.choose("allowed", (True, False, None))
    side.hear(0, None, allowed, paths.choose("path_closed", (True, False, None)))


def written(side: Direction, pack: Pack, presence: str, usable_ma: Any) -> SimpleNamespace:
    """Return the columns that `enter` writes, where `usable_ma` is what the pack may take."""
    pack.presence = presence
    with mock.patch.object(side, "usable_ma", return_value=usable_ma):
        side.enter(pack)
    return SimpleNamespace(**{name: getattr(side, name)[0] for name in COLUMNS})


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
    setattr(side, "by_temperature_permille", lambda _: leaves[0])  # noqa: B010  # for mypy
    setattr(side, "by_cell_permille", lambda _: leaves[1])  # noqa: B010
    kept = [1_000 - bank.settings.margin_permille, 1_000 - settings.sensor_tolerance_permille]
    return side, bank.packs[0], kept + leaves


@lemma
def usable(paths: Paths) -> None:
    """What a pack may take is 0 or more, at most its own limit and ceiling, and 0 if that is unknown.

    Its tolerance, the margin and its derating are anything that `derating` and the settings allow.
    """
    side, pack, _ = derated(paths)
    own_ma = perhaps(paths, "own_limit", PACK_MA)
    side.own_ma[0] = own_ma
    usable_ma = side.usable_ma(pack)
    ceiling_ma = side.ceiling_ma(pack.settings)
    paths.claim(
        usable_ma >= 0,
        usable_ma <= (0 if own_ma is None else own_ma),
        usable_ma <= (PACK_MA if ceiling_ma is None else ceiling_ma),
    )


@lemma
def usable_lowered(paths: Paths) -> None:
    """A lower limit of its own never lets a pack take more.

    As for `usable`.
    """
    side, pack, leaves = derated(paths)
    pair = [paths.integer(name, 0, PACK_MA) for name in ("own_limit", "lower_limit")]
    paths.assume(pair[1] <= pair[0])
    own_ma, lower_ma = pair
    # The same steps side by side, for the solver: a part of less is less.
    ceiling_ma = side.ceiling_ma(pack.settings)
    if ceiling_ma is not None:
        pair = [min(ma, ceiling_ma) for ma in pair]
    for i, part in enumerate(leaves):
        if i == 2:
            pair = [max(0, ma - pack.settings.sensor_tolerance_ma) for ma in pair]
        paths.lemma((pair[0] - pair[1]) * part >= 0)
        pair = [ma * part // 1_000 for ma in pair]
        paths.lemma(pair[1] <= pair[0])
    side.own_ma[0] = lower_ma
    less_ma = side.usable_ma(pack)
    side.own_ma[0] = own_ma
    paths.claim(less_ma <= side.usable_ma(pack))


@lemma
def rows(paths: Paths) -> None:
    """A pack leaves one of three rows: heard, open or silent; it adds only what it may take and allows.

    What it may take: any number that `usable` leaves. One that refuses, is withheld or is not heard
    adds nothing; one that refuses and has a path, or may have, is marked; one without a known current,
    too; one that is removed leaves nothing.
    """
    bank = any_bank(paths)
    pack = any_pack(paths, bank)
    side: Direction = paths.choose("direction", bank.currents)
    any_word(paths, side)
    usable_ma = paths.integer("usable", 0, PACK_MA)
    presence = paths.choose("presence", (LIVE, LATE, UNHEARD, REMOVED))
    row = written(side, pack, presence, usable_ma)
    current_ma = 0 if pack.current_ma is None else side.sign * pack.current_ma
    connected = presence in CONNECTED
    refuses = side.allowed[0] is False
    if presence == REMOVED:
        paths.claim(row.flow_ma == 0, row.grant_ma == NO_CAP)
    elif presence == UNHEARD:
        least = min(0, current_ma)
        paths.claim(
            row.flow_ma == least,
            row.grant_ma >= 0,
            row.grant_ma <= usable_ma,
            row.grant_ma <= side.grant_of(pack.settings),
            implies(current_ma > usable_ma, row.grant_ma == 0),
            row.grant_ma == 0 if refuses and not row.open else True,
        )
    else:
        paths.claim(row.flow_ma == current_ma, row.grant_ma == NO_CAP)
    binds = presence != REMOVED and not row.open
    adds = connected and not row.open and not refuses and not pack.withheld
    paths.claim(
        row.limit_ma == (usable_ma if binds else NO_CAP),
        row.room_ma == (usable_ma - row.flow_ma if binds else NO_CAP),
        row.contribution_ma == (usable_ma if adds else 0),
        bool(row.refusing) == (connected and refuses and not row.open),
        bool(row.unknown) == (connected and pack.current_ma is None),
        bool(side.closed[0]) is not bool(row.open) if side.closed[0] is not None else True,
    )


@lemma
def rows_lowered(paths: Paths) -> None:
    """A pack that may take less leaves a row that is nowhere higher, and is otherwise the same.

    For any two numbers that `usable` leaves.
    """
    bank = any_bank(paths)
    pack = any_pack(paths, bank)
    side: Direction = paths.choose("direction", bank.currents)
    any_word(paths, side)
    usable_ma = paths.integer("usable", 0, PACK_MA)
    lower_ma = paths.integer("lower", 0, PACK_MA)
    paths.assume(lower_ma <= usable_ma)
    presence = paths.choose("presence", (LIVE, UNHEARD))
    row = written(side, pack, presence, usable_ma)
    lower = written(side, pack, presence, lower_ma)
    same = ("flow_ma", "refusing", "unknown", "open")
    down = ("limit_ma", "room_ma", "contribution_ma", "grant_ma")
    paths.claim(
        *(getattr(lower, name) == getattr(row, name) for name in same),
        *(getattr(lower, name) <= getattr(row, name) for name in down),
    )


@lemma
def rows_silenced(paths: Paths) -> None:
    """A pack that falls silent adds nothing, grants at most what it might take, and keeps its limit.

    Its current is known. Silent while it refuses, or while above its limit, it grants nothing.
    """
    bank = any_bank(paths)
    pack = any_pack(paths, bank, current_known=True)
    side: Direction = paths.choose("direction", bank.currents)
    any_word(paths, side)
    usable_ma = paths.integer("usable", 0, PACK_MA)
    row = written(side, pack, LIVE, usable_ma)
    silent = written(side, pack, UNHEARD, usable_ma)
    paths.claim(
        silent.contribution_ma == 0,
        silent.grant_ma <= usable_ma,
        silent.grant_ma == 0 if row.refusing else True,
        silent.limit_ma == row.limit_ma,
        either(both(row.flow_ma >= 0, silent.flow_ma == 0), silent.flow_ma == row.flow_ma),
        either(silent.limit_ma == NO_CAP, silent.room_ma == silent.limit_ma - silent.flow_ma),
        silent.open == row.open,
        not silent.refusing,
    )


@lemma
def voltage_rows(paths: Paths) -> None:
    """A pack's voltage limit binds with its own sign until it is removed, also when it is silent.

    Whatever it says of its voltage and its cells; one that is silent is marked.
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
        bool(side.silent[0]) == (pack.presence == UNHEARD),
        side.cell_room_mv[0] == NO_CAP if not member else True,
    )
