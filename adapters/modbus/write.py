"""The bank in registers of the owner's choice, written into a charger while we may speak.

What is written is always the view of the moment: a slow line writes less often, never something old.
A changed limit goes before everything else on the line, whoever is asked there, but not to a device
that takes nothing: its turn comes with the others'.
Before a stop on purpose "no current" is written: a device that keeps what was written last would
charge on. After a crash only the charger's own watchdog can stop it.
"""

from collections.abc import Mapping, Sequence

from attrs import field as attr
from attrs import frozen

from adapters.counts import Counts
from adapters.links import Record
from adapters.modbus.bank import CURRENTS, Speller
from adapters.modbus.maps import Group, RegisterMap, Row
from adapters.modbus.spell import LIMITS, Unsayable
from adapters.registers import (
    HOLDING,
    LARGEST_WRITE,
    WRITE_MANY,
    WRITE_ONE,
    Answer,
    Ask,
    ClientItem,
    limits_of,
    within,
)
from aggregator import SystemView
from aggregator.ticks import since

RETRY_MS = 1_000  # a write that was not taken is tried again after this: it may have said less
DEAF_AFTER = 3  # writes in a row that were not taken
LOST_MS = 5_000  # an answer that has not come by then never will
URGENT = (*LIMITS, *CURRENTS.values())


@frozen(kw_only=True)
class WriteSettings:
    """Writing a bank's map (of = "bank") into a charger's holding registers."""

    # the map's file, relative to SITE.toml
    map: str
    # the charger's address on the bus, 1..247
    device: int = attr(default=1, validator=within(1, 247))
    one_by_one: bool = False  # for devices without function 16: each register by itself


class _Writing:
    """One group: which registers are written together, and when it was its turn."""

    def __init__(self, map_: RegisterMap, group: Group, one_by_one: bool) -> None:
        self.name = group.name
        self.every_ms = group.every_ms
        self.urgent = any(row.field in URGENT for row in group.rows)
        self.started_ms: int | None = None
        self.failed = False  # some of it was not taken, or not sent
        most = 1 if one_by_one else min(map_.largest_block, LARGEST_WRITE)
        self.runs: list[list[int]] = []  # neighbours, without a hole; no number lies in two of them
        for address, size in sorted({(row.address, row.size) for row in group.rows}):
            span = list(range(address, address + size))
            last = self.runs[-1] if self.runs else []
            if one_by_one:
                self.runs += [[at] for at in span]
            elif last and address == last[-1] + 1 and len(last) + size <= most:
                last += span
            else:
                self.runs.append(span)

    def is_due(self, now_ms: int) -> bool:
        """Is it time to write this group?"""
        if self.started_ms is None:
            return True
        wait_ms = min(self.every_ms, RETRY_MS) if self.failed else self.every_ms
        return not 0 <= since(now_ms, self.started_ms) < wait_ms


def _is_split(row: Row, settings: WriteSettings) -> bool:
    """Would it take several writes to tell a limit?"""
    return settings.one_by_one and row.field in LIMITS and row.size > 1


class BankWriter:
    """Talker of a client's link: writes the bank's words into somebody's registers."""

    def __init__(self, map_: RegisterMap, settings: WriteSettings) -> None:
        if any(group.function != HOLDING for group in map_.groups):
            raise ValueError("a map with function = 3 in every group: only those can be written")
        halves = [row for group in map_.groups for row in group.rows if _is_split(row, settings)]
        if halves:
            raise ValueError(
                f"one_by_one with limits of one register each: between two writes {halves[0].field}"
                " would be half of the old and half of the new one"
            )
        self.counts = Counts()
        self._device = settings.device
        self._function = WRITE_ONE if settings.one_by_one else WRITE_MANY
        self._speller = Speller(map_)
        writings = [_Writing(map_, group, settings.one_by_one) for group in map_.groups]
        self._writings = sorted(writings, key=lambda writing: not writing.urgent)
        self._left: list[tuple[_Writing, list[int]]] = []
        self._pending: tuple[Ask, int, _Writing] | None = None
        self._limits: object = None  # of the view that was lined up last
        self._failures = 0
        self._beat = 0
        self._last: SystemView | None = None

    def opened(self, now_ms: int) -> None:
        """Write everything anew."""
        self._left, self._pending, self._limits, self._failures = [], None, None, 0
        for writing in self._writings:
            writing.started_ms = None

    def presses(self, now_ms: int, view: SystemView, may_speak: bool) -> bool:
        """Do limits wait to be written, to a device that takes them?"""
        if not may_speak or self._pending is not None or self._failures >= DEAF_AFTER:
            return False
        if limits_of(view, may_speak) != self._limits or any(one.urgent for one, _ in self._left):
            return True
        return any(one.urgent and one.failed and one.is_due(now_ms) for one in self._writings)

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[ClientItem]:
        """Return the next write, if one is due and none is under way."""
        self._last = view
        if self._pending is not None and 0 <= since(now_ms, self._pending[1]) < LOST_MS:
            return ()
        if self._pending is not None:
            self._failed("no answer was brought back")
        if not may_speak:
            self._left, self._limits = [], None
            return ()
        limits = limits_of(view, may_speak)
        changed, self._limits = limits != self._limits, limits
        if changed or not self._left:
            writings = self._writings
            self._line_up(
                now_ms, [one for one in writings if (changed and one.urgent) or one.is_due(now_ms)]
            )
        if not self._left:
            return ()
        writing, run = self._left.pop(0)
        try:
            said = self._speller.says(view, False, self._beat)
        except Unsayable as error:
            self._left.append((writing, run))
            self._failed(str(error))
            return ()
        ask = self._ask(said[writing.name], run)
        self._pending = (ask, now_ms, writing)
        return (ask,)

    def _line_up(self, now_ms: int, writings: Sequence[_Writing]) -> None:
        """Line up these groups behind what is still left, and limits before all others: so limits that
        change all the time have all of their registers written in turn."""
        for writing in writings:
            writing.started_ms, writing.failed = now_ms, False
        runs = [(writing, run) for writing in writings for run in writing.runs]
        self._left += [one for one in runs if one not in self._left]
        self._left.sort(key=lambda one: not one[0].urgent)
        self._beat += 1 if runs else 0

    def _ask(self, words: Mapping[int, int], run: list[int]) -> Ask:
        written = tuple(words[at] for at in run)
        return Ask(self._device, self._function, run[0], len(run), written)

    def received(self, item: ClientItem, now_ms: int) -> Sequence[Record]:
        """Take note of whether a write was taken; one that was not ends its round."""
        if self._pending is None or not isinstance(item, Answer) or item.ask != self._pending[0]:
            return ()
        if item.words is None:
            self._failed(item.trouble)
        else:
            self._pending, self._failures = None, 0
            self.counts.received += 1
        return ()

    def _failed(self, why: str) -> None:
        """Give up the round; what of it was not taken comes again soon."""
        self.counts.refuse(why)
        self._failures += 1
        if self._pending is not None:
            self._pending[2].failed = True
        for writing, _ in self._left:
            writing.failed = True
        self._left, self._pending = [], None

    def closing(self, now_ms: int, may_speak: bool) -> Sequence[ClientItem]:
        """Return the writes that take both currents back."""
        if not may_speak or self._last is None:
            return ()
        try:
            said = self._speller.says(self._last, True, self._beat)
        except Unsayable:
            return ()
        return [
            self._ask(said[writing.name], run)
            for writing in self._writings
            if writing.urgent
            for run in writing.runs
        ]
