"""What of the values and the limits has to go out now."""

from collections.abc import Sequence

from adapters.homie.tree import Message, Tree
from aggregator import SystemView
from aggregator.ticks import since

MOST_AT_ONCE = 20  # messages a turn: on a slow broker the last of them must not get old
# Of the limits, all of them: so they keep their order, the last word last, and no broker saves them
# up for a charger that is away and would take them for new when it is back. What gets lost is said
# again at the next beat.
QOS = 0


class Values:
    """All that informs: sent when it has changed, and all of it now and then."""

    def __init__(self, tree: Tree) -> None:
        self._tree = tree
        self._every_ms = round(tree.settings.every_s * 1_000)
        self._refresh_ms = round(tree.settings.refresh_s * 1_000)
        self._sent: dict[str, bytes] = {}
        self._again: list[str] = []  # what is left of a refresh
        self._looked_ms = self._refreshed_ms = 0

    def forget(self) -> None:
        """The connection is new."""
        self._sent.clear()
        self._again.clear()

    def had(self, topic: str, payload: bytes) -> None:
        """The broker had kept this: it is told anew, or emptied."""
        self._sent.setdefault(topic, payload)

    def all(self, now_ms: int, view: SystemView) -> list[Message]:
        """Return every value, the unknown ones emptied: the broker may hold old ones."""
        self._looked_ms = self._refreshed_ms = now_ms
        values = self._complete(view)
        self._sent = {topic: payload for topic, payload in values.items() if payload}
        return [self._tree.message(topic, payload) for topic, payload in values.items()]

    def due(self, now_ms: int, view: SystemView) -> list[Message]:
        """Return what has changed, and what is due for a refresh, so many at a time."""
        if since(now_ms, self._refreshed_ms) >= self._refresh_ms:
            self._refreshed_ms = now_ms
            self._again = list(self._sent)
        elif not self._again and since(now_ms, self._looked_ms) < self._every_ms:
            return []
        values = self._complete(view)
        changed = [topic for topic, said in values.items() if self._sent.get(topic, b"") != said]
        room = max(0, MOST_AT_ONCE - len(changed))
        again, self._again = self._again[:room], self._again[room:]
        if len(changed) <= MOST_AT_ONCE:
            self._looked_ms = now_ms
        chosen = dict.fromkeys([*changed[:MOST_AT_ONCE], *again])
        return [self._send(topic, values.get(topic, b"")) for topic in chosen]

    def _complete(self, view: SystemView) -> dict[str, bytes]:
        """Return all values; what is no longer there (an alert) is empty, and comes first."""
        values = self._tree.values(view)
        gone = [topic for topic in self._sent if topic not in values]
        return dict.fromkeys(gone, b"") | values

    def _send(self, topic: str, payload: bytes) -> Message:
        self._sent[topic] = payload
        if not payload:
            del self._sent[topic]
        return self._tree.message(topic, payload)


class LimitBlock:
    """All limits together, and then how long they hold; or none, and no word of holding."""

    def __init__(self, tree: Tree) -> None:
        self._tree = tree
        self._every_ms = round(tree.settings.every_s * 1_000)
        self._beat_ms = round(tree.settings.beat_s * 1_000)
        self._hold = str(tree.settings.hold_s).encode()
        self._sent: Sequence[bytes] = ()
        self._asked: tuple[int, ...] = ()
        self._sent_ms = 0

    def forget(self) -> None:
        """The connection is new."""
        self._sent = ()

    def emptied(self) -> list[Message]:
        """Return what takes every limit off the broker."""
        self._sent = ()
        return [(topic, b"", True, QOS) for topic in self._tree.limit_topics]

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> list[Message]:
        """Return the block: at once if a limit asks for less, else when changed, or as a beat."""
        if not may_speak:
            return self.emptied() if self._sent else []
        gone_ms = since(now_ms, self._sent_ms)
        asked = strictness(view)
        if self._sent and gone_ms < self._beat_ms:
            less = any(new < old for new, old in zip(asked, self._asked, strict=True))
            if not less and (asked == self._asked or gone_ms < self._every_ms):
                return []
        self._sent, self._asked, self._sent_ms = self._tree.limits(view), asked, now_ms
        items = [
            (topic, payload, True, QOS)
            for topic, payload in zip(self._tree.limit_topics, self._sent, strict=True)
        ]
        return [*items, (self._tree.hold_topic, self._hold, False, QOS)]


def strictness(view: SystemView) -> tuple[int, ...]:
    """Return the limits so that a smaller number always asks for less."""
    return (
        view.charge_voltage_limit_mv,
        -view.discharge_voltage_limit_mv,
        view.charge_current_limit_ma,
        view.discharge_current_limit_ma,
        int(view.charge_allowed),
        int(view.discharge_allowed),
    )
