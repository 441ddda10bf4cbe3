"""Listen only: hear everything, say nothing, and find out what would have differed.

Runs beside whatever controls the chargers today, and tells three things: what would have been said
and to whom; how often each pack carried more than its own limit under the present set-up; and how
long the whole bank took more than we would have asked for.
"""

from collections.abc import Sequence
from typing import Any

from attrs import define, field

from adapters.counts import Counts
from adapters.links import Record, Site, Talker
from aggregator import PackReport, SystemView
from aggregator.errors import Refusal
from aggregator.ticks import since

LONGEST_GAP_MS = 10_000  # a reading stands for no longer than this
SMALL_MA = 1_000  # above a limit by less than this is measuring noise (common practice, no source)
LOOK_S = 0.1
# What holds a bank that has only begun to hear: it says nothing about how the bank is run.
BEGINNING = ("unheard", "reenable_dwell", "path_no_rise", "ramp")
BEGINNING_MS = 120_000  # no longer: then the packs are silent indeed
MOST_KEPT = 20  # examples of what would have been said, for each talker


@define
class Episode:
    """One direction of one pack, or of the bank: how long above, and the worst moment."""

    over_s: float = 0.0
    heard_s: float = 0.0
    worst_ma: int = 0  # above the limit by so much
    at_ms: int | None = None  # when
    carried_ma: int = 0  # what it carried then
    limit_ma: int = 0  # what it should have

    def look(self, current_ma: int, limit_ma: int, now_ms: int, lasted_ms: int) -> None:
        """Take a magnitude that held for so long, and the limit at that time."""
        self.heard_s += lasted_ms / 1_000
        over_ma = current_ma - limit_ma
        if over_ma > SMALL_MA:
            self.over_s += lasted_ms / 1_000
            if over_ma > self.worst_ma:
                self.worst_ma, self.at_ms = over_ma, now_ms
                self.carried_ma, self.limit_ma = current_ma, limit_ma


@define
class PackWatch:
    """What one pack went through while we listened."""

    charge: Episode = field(factory=Episode)
    discharge: Episode = field(factory=Episode)
    last_ms: int | None = None


class Watch:
    """Watches a gateway that says nothing; attach `heard` and `stepped`."""

    def __init__(self) -> None:
        self.packs: dict[str, PackWatch] = {}
        self.bank = PackWatch()
        self._began_ms: int | None = None
        self._ready: set[str] = set()  # the directions whose limits have come up once

    def heard(self, now_ms: int, record: Record, refusal: Refusal | None) -> None:
        """Compare a pack's current with its own limits."""
        if not isinstance(record, PackReport) or refusal is not None:
            return
        watch = self.packs.setdefault(record.pack, PackWatch())
        lasted_ms = _lasted_ms(watch, now_ms)
        if record.current_ma is None:
            return
        for one, sign, limit_ma, allowed in (
            (watch.charge, 1, record.charge_current_limit_ma, record.charge_allowed),
            (watch.discharge, -1, record.discharge_current_limit_ma, record.discharge_allowed),
        ):
            if limit_ma is not None:
                own_ma = 0 if allowed is False else limit_ma
                one.look(max(0, sign * record.current_ma), own_ma, now_ms, lasted_ms)

    def stepped(self, now_ms: int, view: SystemView) -> None:
        """Compare the bank's current with what we would have asked for, once limits have come up
        from the 0 that every start begins with."""
        lasted_ms = _lasted_ms(self.bank, now_ms)
        if self._began_ms is None:
            self._began_ms = now_ms
        waited = since(now_ms, self._began_ms) >= BEGINNING_MS
        for way, one, sign, limit_ma, rule in (
            ("charge", self.bank.charge, 1, view.charge_current_limit_ma, view.charge_current_rule),
            ("discharge", self.bank.discharge, -1, view.discharge_current_limit_ma,
             view.discharge_current_rule),
        ):  # fmt: skip
            if waited or rule not in BEGINNING:
                self._ready.add(way)
            if way in self._ready and view.current_ma is not None:
                one.look(max(0, sign * view.current_ma), limit_ma, now_ms, lasted_ms)


def _lasted_ms(watch: PackWatch, now_ms: int) -> int:
    """Return how long the last reading stood, and start the clock for the next."""
    gap_ms = 0 if watch.last_ms is None else since(now_ms, watch.last_ms)
    watch.last_ms = now_ms
    return min(max(gap_ms, 0), LONGEST_GAP_MS)


class Muted:
    """A link that lets its talkers make what they would say, counts it, keeps examples, sends none."""

    def __init__(self, name: str, talkers: Sequence[Talker[Any]]) -> None:
        self.name = name
        self.counts = Counts()
        self.talkers = talkers
        self.examples: list[tuple[int, str]] = []
        self._last: dict[str, str] = {}

    async def run(self, site: Site) -> None:
        """Run until cancelled."""
        for talker in self.talkers:
            talker.opened(site.now_ms())
        while True:
            for talker in self.talkers:
                for item in talker.due(site.now_ms(), site.view, site.view.may_speak):
                    self.counts.dropped += 1
                    self._keep(site.now_ms(), shown(item))
            await site.turn(LOOK_S)

    def _keep(self, now_ms: int, text: str) -> None:
        """Keep what is news: the same thing again is not."""
        subject, _, _ = text.partition(" ")
        if self._last.get(subject) != text and len(self.examples) < MOST_KEPT:
            self.examples.append((now_ms, text))
        self._last[subject] = text


def shown(item: Any) -> str:
    """Return an item of any bus as a short text: what it is first, then what it says."""
    if isinstance(item, tuple) and isinstance(item[0], int):
        return f"{item[0] & 0x1FFFFFFF:08X} {bytes(item[1]).hex(' ')}"
    if isinstance(item, tuple):
        return " ".join(shown(one) for one in item[:2])
    if isinstance(item, (bytes, bytearray, memoryview)):
        return bytes(item).decode("utf-8", "backslashreplace").strip()[:200]
    return str(item)[:200]
