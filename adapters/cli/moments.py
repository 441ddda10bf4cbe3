"""A recording, as the map reads it, in the order of time: what was known at each moment."""

from collections import defaultdict
from collections.abc import Iterator
from functools import cached_property
from itertools import groupby
from typing import Any

from attrs import frozen

from adapters.capture import Seen
from adapters.meaning import LIST_RANGES

MOST_MOMENTS = 10_000
Moment = dict[str, Any]  # field -> what was last known; a list's elements in order


@frozen
class Pair:
    """Voltage and current that came together."""

    at_ms: int
    voltage_mv: int
    current_ma: int


class Recording:
    """What a map read out of a recording."""

    def __init__(self, seen: list[Seen]) -> None:
        self.seen = sorted(seen, key=lambda one: one.at_ms)

    @cached_property
    def rows(self) -> dict[tuple[str, str], list[Seen]]:
        """(field, where it stood) -> its readings, in order."""
        found: dict[tuple[str, str], list[Seen]] = defaultdict(list)
        for one in self.seen:
            found[one.field, one.source].append(one)
        return dict(found)

    @cached_property
    def moments(self) -> list[Moment]:
        """What was known after each moment at which something came; of a long recording, after
        every so many."""
        stride = 1 + len({one.at_ms for one in self.seen}) // MOST_MOMENTS
        found: list[Moment] = []
        now: Moment = {}
        for number, (_, together) in enumerate(groupby(self.seen, lambda one: one.at_ms), start=1):
            for one in together:
                _take(now, one)
            if number % stride == 0:
                found.append(_shown(now))
        return found

    @cached_property
    def pairs(self) -> list[Pair]:
        """Voltage and current each time both have come anew."""
        found: list[Pair] = []
        fresh: dict[str, int] = {}
        for one in self.seen:
            if one.field in ("voltage_mv", "current_ma") and type(one.value) is int:
                fresh[one.field] = one.value
            if len(fresh) == 2:
                found.append(Pair(one.at_ms, fresh["voltage_mv"], fresh["current_ma"]))
                fresh = {}
        return found

    def both(self, *names: str) -> Iterator[tuple[Any, ...]]:
        """Yield the values of fields at each moment at which all are known."""
        for moment in self.moments:
            values = tuple(moment.get(name) for name in names)
            if None not in values:
                yield values


def _take(now: Moment, one: Seen) -> None:
    if one.field in LIST_RANGES and not isinstance(one.value, tuple):
        now.setdefault(one.field, {})[one.source] = one.value
    else:
        now[one.field] = one.value


def _shown(now: Moment) -> Moment:
    """Return a moment with lists in order; one that lacks an element is unknown."""
    shown = dict(now)
    for name in LIST_RANGES:
        if isinstance(now.get(name), dict):
            values = list(now[name].values())
            shown[name] = None if None in values else values
    cells = shown.get("cells_mv")
    if cells:
        shown.setdefault("cell_min_mv", min(cells))
        shown.setdefault("cell_max_mv", max(cells))
        shown.setdefault("cell_count", len(cells))
    return shown
