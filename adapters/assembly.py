"""Whole reports out of parts: many buses tell a pack's state in several frames or blocks.

A report is handed over when every part of the cycle has come again since the last one; its age is
that of its oldest part, which may tell how old it was when it came. So a board of which one half
has fallen silent goes late, and never lives on through the half that still talks. Two exceptions:

- a part may be slow (`keep_ms`): its values count until then, whatever the rest does;
- bad news does not wait: a part that forbids something, lowers a limit or adds a protection is
  handed over at once, with what else is known.

A slow part that tells any of GUARDS is needed: while it is unknown or too old nothing is handed over,
for its silence must not lift what it forbade; but bad news is, with what such a part said last, and
as old as that.

What a part tells as unknown forbids. A permission is then none: the core takes an unknown one for a
board without such a flag. A part without its voltage limit or path is not taken, but for bad news.

Warnings and protections that several parts tell are united. A list may come in several parts, each
element under its own name (`element("cells_mv", 3)`); one that lacks an element is unknown, because
what is missing could be the extreme.
"""

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from adapters.meaning import ALARM_SETS
from aggregator.report import LONGEST_MS, SAMPLE_MODULO, PackReport
from aggregator.ticks import since

FORGET_MS = 3_600_000

# Where a lower value asks for less, and where a higher one does.
LOWER_IS_LESS = ("charge_voltage_limit_mv", "charge_current_limit_ma", "discharge_current_limit_ma")
HIGHER_IS_LESS = ("discharge_voltage_limit_mv",)
PERMISSIONS = ("charge_allowed", "discharge_allowed")
# What forbids something: unknown, it would forbid less.
GUARDS = frozenset(
    (
        *LOWER_IS_LESS,
        *HIGHER_IS_LESS,
        *PERMISSIONS,
        "charge_path_closed",
        "discharge_path_closed",
        *ALARM_SETS,
    )
)
# Unknown, these are no limit at all to the core, which takes them for what the pack never tells.
TOLD_OR_NOTHING = (
    "charge_voltage_limit_mv",
    "discharge_voltage_limit_mv",
    "charge_path_closed",
    "discharge_path_closed",
)


def lacking(fields: Mapping[str, Any]) -> str | None:
    """Return a field that a part tells as unknown and without which it cannot be taken: it would
    lift what the pack said before. None: it can be taken."""
    return next((name for name in TOLD_OR_NOTHING if name in fields and fields[name] is None), None)


def asks_for_less(was: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    """Does a part forbid, lower a limit, take one back, or add a protection?"""
    for name, value in now.items():
        before = was.get(name)
        if name in PERMISSIONS and value is not True and before is True:
            return True
        if name in LOWER_IS_LESS + HIGHER_IS_LESS and before is not None:
            sign = 1 if name in LOWER_IS_LESS else -1
            if value is None or sign * value < sign * before:
                return True
        if name == "protections" and set(value or ()) - set(before or ()):
            return True
    return False


def guards(keep_ms: int | None, fields: Iterable[str]) -> bool:
    """Is a part needed: is it slow, and does it tell any of GUARDS?"""
    return keep_ms is not None and not GUARDS.isdisjoint(fields)


def _completed(was: Mapping[str, Any], now: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Return a part that lacks something with what it said of that before; None: it brings no bad
    news, or never said."""
    told = {name: value for name, value in now.items() if value is not None}
    unknown = {name: None for name in now if name not in told and name not in TOLD_OR_NOTHING}
    kept = {name: was.get(name) for name in now if name not in told and name not in unknown}
    if None in kept.values() or not asks_for_less(was, told | unknown):
        return None
    return told | unknown | kept


def element(name: str, number: int) -> str:
    """Return the name under which a part tells one element of a list; `number`: from 1."""
    return f"{name}[{number}]"


def _united(name: str, first: Mapping[str, Any], second: Mapping[str, Any]) -> Any:
    """Return the alarms of both parts; None: neither tells them."""
    told = [one for one in (first.get(name), second.get(name)) if one is not None]
    return tuple(sorted(set().union(*told))) if told else None


class Part:
    """One part: when it came, what it said; `keep_ms`: how long that counts, None: one cycle."""

    __slots__ = ("came_ms", "fields", "keep_ms", "new")

    def __init__(self, keep_ms: int | None) -> None:
        self.keep_ms = keep_ms
        self.came_ms: int | None = None
        self.fields: dict[str, Any] = {}
        self.new = False

    def counts(self, now_ms: int) -> bool:
        """Is it known, and, if it is slow, not too old?"""
        if self.came_ms is None:
            return False
        return self.keep_ms is None or 0 <= since(now_ms, self.came_ms) <= self.keep_ms


class Assembly:
    """Puts the reports of one pack together.

    `parts`: name -> keep_ms, or None for the cycle's. `elements`: lists that come element by
    element, and how many elements each has. `needed`: slow parts that tell any of GUARDS.
    """

    def __init__(
        self,
        pack: str,
        parts: Mapping[str, int | None],
        elements: Mapping[str, int] | None = None,
        needed: Collection[str] = (),
    ) -> None:
        if not any(keep_ms is None for keep_ms in parts.values()):
            raise ValueError("at least one part that makes the cycle")
        self.pack = pack
        self._lists = {
            name: [element(name, number) for number in range(1, count + 1)]
            for name, count in (elements or {}).items()
        }
        self._parts = {name: Part(keep_ms) for name, keep_ms in parts.items()}
        self._needed = [self._parts[name] for name in needed]
        self._cycle = [part for part in self._parts.values() if part.keep_ms is None]
        self._sample = 0

    def put(self, name: str, fields: Mapping[str, Any], now_ms: int) -> PackReport | None:
        """Take a part; return a whole report, if it makes one.

        A field that several parts say is taken from the part that stands last in `parts`. A part
        that is `lacking` something is not taken, but for bad news in it.
        """
        self._forget(now_ms)
        part = self._parts[name]
        if lacking(fields) is not None:
            bad_news = _completed(part.fields, fields)
            if bad_news is None:
                return None
            fields = bad_news
        urgent = asks_for_less(part.fields, fields)
        part.fields = dict(fields)
        part.came_ms = now_ms
        part.new = True
        if any(one.came_ms is None for one in self._cycle):
            return None
        if not urgent and not all(one.new for one in self._cycle):
            return None
        if not all(one.counts(now_ms) for one in self._needed) and (
            not urgent or any(one.came_ms is None for one in self._needed)
        ):
            return None
        return self._report(now_ms)

    def _forget(self, now_ms: int) -> None:
        """Drop what is so old that a wrap of the counter could make it look new again."""
        for part in self._parts.values():
            if part.came_ms is not None and not 0 <= since(now_ms, part.came_ms) <= FORGET_MS:
                part.came_ms, part.fields, part.new = None, {}, False

    def _report(self, now_ms: int) -> PackReport:
        together: dict[str, Any] = {}
        age_ms = 0
        for part in self._parts.values():
            counts = part.counts(now_ms)
            if part.came_ms is None or not (counts or part in self._needed):
                continue
            if part.keep_ms is None or not counts:
                told_ms = part.fields.get("age_ms") or 0  # how old it was when it came
                age_ms = max(age_ms, since(now_ms, part.came_ms) + told_ms)
            alarms = {name: _united(name, together, part.fields) for name in ALARM_SETS}
            together.update(part.fields)
            together.update({name: both for name, both in alarms.items() if both is not None})
        together["age_ms"] = min(age_ms, LONGEST_MS)
        for name in PERMISSIONS:
            if name in together and together[name] is None:
                together[name] = False
        for name, keys in self._lists.items():
            values = [together.pop(key, None) for key in keys]
            together[name] = None if None in values else tuple(values)
        for part in self._cycle:
            part.new = False
        self._sample = (self._sample + 1) % SAMPLE_MODULO
        return PackReport(self.pack, self._sample, **together)
