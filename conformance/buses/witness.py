"""Reads along what buses carry, and finds what a bridge must not do: the oracle, with patience.

Buses take their time, and poll, and several things are on their way at once. So a breach counts
when every look over a span that any sound bridge has reacted in shows it. How fast a limit rises is
left out: at which moments a bridge looked at its clock cannot be seen from outside.
"""

from typing import Any

from conformance.fuzzing.story import tell
from conformance.oracle import Breach, Exchange
from conformance.oracle.currents import currents
from conformance.oracle.reader import Reader
from conformance.oracle.voltages import voltages

Plain = dict[str, Any]

NOT_SEEN = ("REQ-LIM-16",)
CHECKS = (currents, voltages)
A_READING_MS = 1_000


class Witness:
    """`tells`: the fields of the view that are seen; `patience_ms`: for the way there and back."""

    def __init__(self, settings: Plain, tells: frozenset[str], patience_ms: int) -> None:
        self.breach: Breach | None = None  # in the last step
        self._settings = settings
        self._tells = tells
        # Buses may carry several readings for each of ours: a pack is back sooner than we count.
        self._patience_ms = patience_ms + settings["recovery_samples"] * A_READING_MS
        self._reader = Reader()
        self._lasting: dict[tuple[str, str], tuple[int, Breach]] = {}  # since when; the mildest
        self._history: list[Exchange] = []
        self._judges = False

    def start(self, now_ms: int) -> None:
        """Know nothing: the buses have been opened."""
        self._reader = Reader()
        self._reader.take({"op": "reset", "t": now_ms, "settings": self._settings}, {"ok": True})
        self._judges = False

    def begin(self) -> None:
        """A story begins: what was is over, but not forgotten."""
        self._lasting.clear()
        self._history.clear()
        self._judges = True
        self.breach = None

    def heard(self, request: Plain, carried: Plain, now_ms: int) -> None:
        """A pack was asked to say `request`, and the bus carried that much of it."""
        self._history.append((request, {"ok": True}))
        self._reader.take({"op": "report", **carried, "t": now_ms}, {"ok": True})

    def noise(self) -> None:
        """There was noise on the buses."""
        noise: Plain = {
            "op": "line",
            "note": "half a message",
            "text": "what every pack said last, cut",
        }
        self._history.append((noise, {"ok": True}))

    def stepped(self, request: Plain, answer: Plain, now_ms: int) -> None:
        """Take what the chargers are told now; `breach` is what it breaches."""
        self._history.append((request, answer))
        self._reader.take({"op": "step", "t": now_ms}, answer)
        found = {
            (breach.requirement, breach.path): breach
            for check in CHECKS
            for breach in check(self._reader)
            if self._is_seen(breach)
        }
        self._lasting = {
            key: (since_ms, _milder(mildest, found[key]))
            for key in found
            for since_ms, mildest in [self._lasting.get(key, (now_ms, found[key]))]
        }
        sure = [
            mildest
            for since_ms, mildest in self._lasting.values()
            if now_ms - since_ms >= self._patience_ms
        ]
        self.breach = sure[0] if sure and self._judges else None

    def _is_seen(self, breach: Breach) -> bool:
        """Is it about something that chargers are told, and not about how fast it came?"""
        field = breach.path.removeprefix("view.")
        told = field in self._tells and self._reader.view.get(field) is not None
        return told and breach.requirement not in NOT_SEEN

    def story(self, breach: Breach) -> str:
        """Return what happened in this story, ending with the breach."""
        return tell(self._history, breach)


def _milder(one: Breach, other: Breach) -> Breach:
    """Return which of two breaches of one requirement by one field is the smaller one."""
    if not isinstance(one.bound, int) or not isinstance(other.bound, int):
        return one
    is_least = one.operator == "ge"
    return min(one, other, key=_bound) if is_least else max(one, other, key=_bound)


def _bound(breach: Breach) -> int:
    assert isinstance(breach.bound, int)
    return breach.bound
