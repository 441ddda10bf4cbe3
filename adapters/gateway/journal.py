"""What happened: one line an event, for people (`time  what  who  words`) or as JSON objects.

Only changes are told: a link that opened or was lost, a pack that went late, a stage, a finding, a
limit that fell to nothing. What repeats (refused reports) is told once, then counted.
"""

import time
from collections.abc import Callable
from typing import Any, TextIO

from adapters.links import Link, Talker
from aggregator import SystemView
from aggregator.plain import json_text

REPEAT_S = 60.0  # the same refusal of the same link is told again after so long, with its count


class Journal:
    """Writes events to a stream. `wall`: seconds since the epoch, for the reader only."""

    def __init__(
        self, out: TextIO, as_json: bool = False, wall: Callable[[], float] = time.time
    ) -> None:
        self._out = out
        self._as_json = as_json
        self._wall = wall
        self._told: dict[tuple[str, str], list[float]] = {}
        self._links: dict[str, tuple[int, str | None]] = {}
        self._before: dict[str, object] = {}
        self._refusals: dict[int, int] = {}

    def tell(self, event: str, **about: object) -> None:
        """Write one event."""
        moment = time.strftime("%Y-%m-%dT%H:%M:%S", time.localtime(self._wall()))
        if self._as_json:
            line = json_text({"at": moment, "event": event} | about)
        else:
            rest = "  ".join(str(value) for value in about.values() if value is not None)
            line = f"{moment}  {event}  {rest}".rstrip()
        self._out.write(line + "\n")
        self._out.flush()

    def refused(self, link: str, why: str) -> None:
        """Tell of something that was refused: at once, then at most every REPEAT_S."""
        now_s = self._wall()
        last = self._told.get((link, why))
        if last is None or now_s - last[0] >= REPEAT_S:
            more = f"and {last[1]:.0f} times before" if last and last[1] else None
            self.tell("refused", link=link, why=why, more=more)
            self._told[(link, why)] = [now_s, 0]
            if len(self._told) > 1_000:
                self._told.clear()
        else:
            last[1] += 1

    def looked_at(self, links: list[Link]) -> None:
        """Tell what has changed about the links since the last look."""
        for link in links:
            seen = (link.counts.opened, link.counts.trouble)
            opened, trouble = self._links.get(link.name, (0, None))
            if seen[0] != opened:
                self.tell("open" if opened == 0 else "open again", link=link.name)
            if seen[1] is not None and seen[1] != trouble:
                self.tell("trouble", link=link.name, what=seen[1])
            self._links[link.name] = seen
            for talker in link.talkers:
                if talker.counts.refused and talker.counts.trouble is not None:
                    self._refused_by(link.name, talker)

    def _refused_by(self, link: str, talker: Talker[Any]) -> None:
        """Tell what a talker could not take since the last look."""
        count, told = talker.counts.refused, self._refusals.get(id(talker), 0)
        if count != told:
            self._refusals[id(talker)] = count
            self.refused(link, talker.counts.trouble or "")

    def stepped(self, view: SystemView) -> None:
        """Tell what has changed about the bank since the last step."""
        self._change("stage", "stage", view.stage)
        self._change("charge", "charging", "may" if view.charge_allowed else "may not",
                     view.charge_current_rule, view.charge_current_pack)  # fmt: skip
        self._change("discharge", "discharging", "may" if view.discharge_allowed else "may not",
                     view.discharge_current_rule, view.discharge_current_pack)  # fmt: skip
        found = sorted((one.name, one.pack or "") for one in view.findings)
        if found != self._before.get("findings", []):
            for name, pack in found:
                if (name, pack) not in self._before.get("findings", []):  # type: ignore[operator]  # a list
                    self.tell("look at this", pack=pack, what=name)
            self._before["findings"] = found

    def packs(self, view: SystemView) -> None:
        """Tell which packs came or went."""
        for row in view.packs:
            self._change("pack " + row.pack, "pack", row.pack, row.presence, row.why_ignored)

    def _change(self, key: str, event: str, *words: str | None) -> None:
        first = words[:2] if event == "pack" else words[:1]
        if self._before.get(key) != first:
            self._before[key] = first
            self.tell(event, **{str(n): word for n, word in enumerate(words)})
