"""Banks of packs that nobody has chosen yet, as the columns of the core's real `Direction`.

A bank of N packs has N rows. A bank of *any* number of packs has three: one pack, and before and
after it a row that stands for all the packs there. That is exact, because the core reads a column
only by its sum, by its least element, and element by element into a minimum; and a sum of many, or
the least of many, is one number. Such a row is freer than a pack: its columns need not fit together.
"""

from typing import Any

from aggregator.bank import Bank
from aggregator.direction import Direction
from aggregator.reference import NO_CAP
from aggregator.report import REPORT_INTS
from aggregator.settings import MOST_PACKS, BankSettings, PackSettings
from conformance.proof.symbolic import Paths

HIGHEST = {name: high for name, _, high in REPORT_INTS}
PACK_MA = HIGHEST["current_ma"]
BANK_MA = MOST_PACKS * PACK_MA
HIGHEST_MV = HIGHEST["charge_voltage_limit_mv"]

# What a pack can be to one direction of current; the theorem `rows` proves that there is no more.
HEARD = "heard"  # with a path: it shares the current, its limit binds and may add to the sum
OPEN = "open"  # no path in this direction, or removed: its current is known, nothing binds or adds
SILENT = "silent"  # unheard: nothing is added; its limit binds, and its grant


class Row:
    """One pack's row of the columns (mA), or that of many packs taken together."""

    def __init__(self, paths: Paths, name: str, kind: str, many: bool = False) -> None:
        self.kind = kind
        self.silent = kind == SILENT
        if kind not in (HEARD, OPEN, SILENT):
            return  # a voltage's row: voltages.py fills it
        whole = BANK_MA if many else PACK_MA
        self.flow_ma = paths.integer(f"flow_{name}", -whole, 0 if kind == SILENT else whole)
        self.limit_ma: Any = NO_CAP
        self.room_ma: Any = NO_CAP
        self.contribution_ma: Any = 0
        self.grant_ma: Any = NO_CAP
        if kind == OPEN:
            return
        self.limit_ma = paths.integer(f"limit_{name}", 0, PACK_MA)
        self.room_ma = self.limit_ma - self.flow_ma
        if many:
            self.room_ma = paths.integer(f"room_{name}", -PACK_MA, 2 * PACK_MA)
        if kind == HEARD:
            self.contribution_ma = paths.integer(f"contribution_{name}", 0, whole)
            paths.assume(many or self.contribution_ma <= self.limit_ma)
        if kind == SILENT:  # its path may be open, too: then limit and room are NO_CAP
            self.limit_ma = paths.integer(f"silent_limit_{name}", 0, NO_CAP)
            self.room_ma = paths.integer(f"silent_room_{name}", -PACK_MA, NO_CAP)
            self.grant_ma = paths.integer(f"grant_{name}", 0, PACK_MA)

    def changed(self, paths: Paths, **columns: Any) -> "Row":
        """Return the same pack with some columns changed, and nothing in it higher than here."""
        row = object.__new__(Row)
        row.__dict__.update(self.__dict__)
        row.__dict__.update(columns)
        row.contribution_ma = paths.integer("lower_contribution", 0, PACK_MA)
        row.grant_ma = paths.integer("lower_grant", 0, NO_CAP)
        paths.assume(row.contribution_ma <= self.contribution_ma, row.grant_ma <= self.grant_ma)
        if row.kind != OPEN:
            row.room_ma = row.limit_ma - row.flow_ma
        return row

    def lowered(self, paths: Paths) -> "Row":
        """Return the same pack with a lower limit, or the same one."""
        limit_ma = paths.integer("lower_limit", 0, PACK_MA)
        paths.assume(limit_ma <= self.limit_ma)
        return self.changed(paths, limit_ma=limit_ma)

    def silenced(self, paths: Paths) -> "Row":
        """Return the same pack, unheard: only a current that takes room away still counts."""
        row = self.changed(paths, flow_ma=min(0, self.flow_ma), silent=True)
        paths.assume(row.contribution_ma == 0, row.grant_ma <= PACK_MA)
        return row


class Rows:
    """The rows of a bank of `packs` packs; None: of any number."""

    def __init__(self, paths: Paths, packs: int | None, *kinds: str) -> None:
        self.paths = paths
        self.places = range(packs) if packs is not None else range(1, 2)  # of the packs themselves
        self.rows = []
        for i in range(packs or 3):
            kind = paths.choose(f"kind_{i}", kinds)
            self.rows.append(Row(paths, str(i), kind, i not in self.places))

    def flows(self) -> list[Any]:
        """Return the current of every row."""
        return [row.flow_ma for row in self.rows]

    def bank(self) -> Bank:
        """Return a real bank of as many packs."""
        return Bank(BankSettings([PackSettings(f"p{i}") for i in range(len(self.rows))]))

    def fill(self, side: Direction, rows: list[Row] | None = None) -> None:
        """Write the rows into the columns, as `Direction.enter` leaves them.

        Timers stand at 0, and the window of steady readings does not end in this step: neither
        is read on the way to the currents; the rules that do read them are proved by themselves.
        """
        for i, row in enumerate(rows or self.rows):
            side.flow_ma[i] = row.flow_ma
            side.limit_ma[i] = row.limit_ma
            side.room_ma[i] = row.room_ma
            side.contribution_ma[i] = row.contribution_ma
            side.grant_ma[i] = row.grant_ma
        side.some_unheard = any(row.silent for row in rows or self.rows)
        side.regrouped = False
        side.window_left_ms = NO_CAP
        side.window_low_ma = -NO_CAP
        side.window_high_ma = NO_CAP

    def within_limits(self) -> None:
        """Assume that no pack is above its limit."""
        for row in self.rows:
            if row.kind != OPEN:
                self.paths.assume(row.room_ma >= 0)
