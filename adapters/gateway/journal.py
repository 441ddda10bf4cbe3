"""What happened: one line an event, for people in plain words, or as JSON objects with names.

Only changes are told: a link that opened or was lost, a pack that went late, a stage, a finding, a
direction that was stopped. What repeats (refused reports) is told once, then counted.
"""

import contextlib
import time
from collections.abc import Callable, Collection
from typing import Any, TextIO

from attrs import frozen

from adapters import words
from adapters.links import Link, Talker
from aggregator import SystemView
from aggregator.plain import json_text

REPEAT_S = 60.0  # the same refusal of the same link is told again after so long, with its count
MOST_TOLD = 1_000  # different refusals that are remembered


@frozen
class LinkSeen:
    """A link's counts at the last look; `up`: opened, and not lost since."""

    opened: int = 0
    failed: int = 0
    refused: int = 0
    trouble: str | None = None
    up: bool = False


class Journal:
    """Writes events to a stream. `wall`: seconds since the epoch, for the reader only; `only`: the
    events that are told, if not all."""

    def __init__(
        self,
        out: TextIO,
        as_json: bool = False,
        wall: Callable[[], float] = time.time,
        only: Collection[str] = (),
    ) -> None:
        self.beside_the_point: Collection[str] = ()  # findings that are not told
        self._out = out
        self._only = only
        self._as_json = as_json
        self._wall = wall
        self._told: dict[tuple[str, str], tuple[float, int]] = {}  # when, and how often since
        self._links: dict[int, LinkSeen] = {}  # of a name there may be two: ears, and a muted mouth
        self._refusals: dict[int, int] = {}
        self._before: dict[str, object] = {}

    def tell(self, event: str, text: str, **about: object) -> None:
        """Write one event: `text` for people; `event` and what it is about for programs."""
        if self._only and event not in self._only:
            return
        moment = time.strftime("%Y-%m-%dT%H:%M:%S", time.localtime(self._wall()))
        if self._as_json:
            known = {name: value for name, value in about.items() if value is not None}
            text = json_text({"at": moment, "event": event, "text": text} | known)
        else:
            text = f"{moment}  {text}"
        with contextlib.suppress(OSError, ValueError):  # disk full, reader gone: the bank goes on
            self._out.write(text + "\n")
            self._out.flush()

    def refused(self, link: str, why: str) -> None:
        """Tell of something that was refused: at once, then at most every REPEAT_S."""
        self._seldom("refused", f"{link}: refused: {why}", link=link, why=why)

    def odd(self, context: dict[str, Any]) -> None:
        """Tell what went wrong in a callback of the event loop, mostly a library's own affair with
        a connection that has just gone; in one line, at most every REPEAT_S."""
        error = context.get("exception")
        what = (
            str(context.get("message", "")) if error is None else f"{type(error).__name__}: {error}"
        )
        self.library(what)

    def library(self, what: str) -> None:
        """Tell in one line what a library below complains of, at most every REPEAT_S."""
        what = " ".join(what.split())
        self._seldom("odd", f"in a library, below: {what}", what=what)

    def _seldom(self, event: str, text: str, **about: object) -> None:
        now_s = self._wall()
        told_s, since = self._told.get((event, text), (None, 0))
        if told_s is not None and now_s - told_s < REPEAT_S:
            self._told[event, text] = (told_s, since + 1)
            return
        more = f" (and {words.counted(since, 'time')} before)" if since else ""
        self.tell(event, text + more, **about)
        if len(self._told) >= MOST_TOLD:
            self._told.clear()
        self._told[event, text] = (now_s, 0)

    def looked_at(self, links: list[Link]) -> None:
        """Tell what has changed about the links since the last look."""
        for link in links:
            counts, why = link.counts, link.counts.trouble
            before = self._links.get(id(link), LinkSeen())
            opened = counts.opened != before.opened
            lost = before.up and not opened and counts.failed != before.failed
            if opened:
                again = " again" if before.opened else ""
                self.tell("link_open", f"{link.name}: open{again}", link=link.name)
            refused = None if counts.refused == before.refused else counts.refusal
            if refused is not None:
                self.refused(link.name, refused)
            if why not in (None, refused) and (lost or why != before.trouble):
                self.tell("link_trouble", f"{link.name}: {why}", link=link.name, why=why)
            up = opened or (before.up and not lost)
            seen = LinkSeen(counts.opened, counts.failed, counts.refused, why, up)
            self._links[id(link)] = seen
            for talker in link.talkers:
                self._refused_by(link.name, talker)

    def _refused_by(self, link: str, talker: Talker[Any]) -> None:
        """Tell what a talker could not take since the last look."""
        count = talker.counts.refused
        if count != self._refusals.get(id(talker), 0) and talker.counts.refusal is not None:
            self.refused(link, talker.counts.refusal)
        self._refusals[id(talker)] = count

    def stepped(self, view: SystemView) -> None:
        """Tell what has changed about the bank since the last step."""
        if self._changed("stage", view.stage):
            self.tell("stage", f"stage: {words.STAGES[view.stage]}", stage=view.stage)
        for way, allowed, rule, pack in (
            ("charge", view.charge_allowed, view.charge_current_rule, view.charge_current_pack),
            ("discharge", view.discharge_allowed, view.discharge_current_rule,
             view.discharge_current_pack),
        ):  # fmt: skip
            if self._changed(way, allowed):
                because = words.RULES[rule] + (f": {pack}" if pack else "")
                text = f"{way}: allowed" if allowed else f"{way}: not now, {because}"
                self.tell(way, text, allowed=allowed, rule=rule, pack=pack)
        found = {
            (one.name, one.pack) for one in view.findings if one.name not in self.beside_the_point
        }
        for name, pack in sorted(found - self._found(), key=str):
            who = f"{pack}: " if pack else ""
            self.tell("finding", f"look at this: {who}{words.FINDINGS[name]}", name=name, pack=pack)
        self._before["findings"] = found

    def _found(self) -> set[tuple[str, str | None]]:
        found = self._before.get("findings", set())
        assert isinstance(found, set)
        return found

    def packs(self, view: SystemView) -> None:
        """Tell which packs came or went."""
        for row in view.packs:
            if self._changed("pack " + row.pack, row.presence):
                why = f" ({words.why_ignored(row.why_ignored)})" if row.why_ignored else ""
                self.tell("pack", f"{row.pack}: {words.PRESENCE[row.presence]}{why}",
                          pack=row.pack, presence=row.presence, why=row.why_ignored)  # fmt: skip

    def _changed(self, what: str, value: object) -> bool:
        changed = self._before.get(what) != value
        self._before[what] = value
        return changed
