"""The bank on a broker: announced, kept up to date, asked.

After each connection the devices are announced anew: $state init, descriptions, values, $state
ready. A description's version must rise whenever it changes, also across restarts, so what the
broker had kept is looked at first. Then a value goes out when it has changed, and all of them now
and then. The limits go out as a block, with how long they hold as its last word.
docs/how-to/homie.md tells what a charger should make of it.
"""

from collections.abc import Sequence
from typing import Any

from adapters.counts import Counts
from adapters.homie.asked import request_of
from adapters.homie.convention import (
    DISCONNECTED,
    ID,
    INIT,
    LOST,
    READY,
    BadValueError,
    read_description,
    with_version,
)
from adapters.homie.settings import HomieSettings
from adapters.homie.tree import Message, Settable, Tree
from adapters.homie.upkeep import MOST_AT_ONCE, LimitBlock, Values
from adapters.links import Record
from adapters.readings import Readings
from aggregator import Request, SystemView
from aggregator.settings import MOST_PACKS
from aggregator.ticks import since

LOOK_MS = 1_500  # how long the broker has to bring what it had kept
STATE_AGAIN_MS = 1_000
NOT_ANNOUNCED, ANNOUNCING, ANNOUNCED = range(3)


class HomieTalker:
    """Speaks for a bank of `packs`. Never raises, whatever comes."""

    def __init__(
        self, settings: HomieSettings, packs: Sequence[str], readings: Readings | None = None
    ) -> None:
        self.counts = Counts()
        self._settings = settings
        self.source = settings.source if settings.requests else None
        self._tree = Tree(settings, packs, readings or Readings())
        self._state_topic = self._tree.topic("$state")
        self._alerts = self._tree.topic("$alert/")
        self._descriptions = {
            self._tree.topic("$description", one): one for one in self._tree.bodies
        }
        self._stage = NOT_ANNOUNCED
        self._opened_ms = self._said_ms = 0
        self._found: dict[str, tuple[dict[str, Any], int]] = {}  # descriptions the broker had kept
        self._former: list[str] = []  # devices of packs that we no longer have
        self._queue: list[Message] = []
        self._values = Values(self._tree)
        self._limits = LimitBlock(self._tree)

    @property
    def will(self) -> Message:
        """What the broker publishes when we are lost: of the root, which the packs follow."""
        return self._tree.message(self._state_topic, LOST.encode())

    @property
    def subscriptions(self) -> Sequence[str]:
        """Our own topics that the broker may have kept, and commands."""
        return [
            self._state_topic, self._alerts + "+", *self._descriptions, *self._tree.settable
        ]  # fmt: skip

    def opened(self, now_ms: int) -> None:
        """Announce everything anew, once what the broker had kept is known."""
        self._stage = NOT_ANNOUNCED
        self._opened_ms = now_ms
        self._found.clear()
        self._queue.clear()
        self._values.forget()
        self._limits.forget()

    def received(self, item: Message, now_ms: int) -> Sequence[Record]:
        """Return what a command asks for; learn what the broker had kept of us."""
        topic, payload, retained, _ = item
        if topic in self._tree.settable:
            request = self._asked(self._tree.settable[topic], payload, retained)
            return () if request is None else (request,)
        if retained and topic in self._descriptions:
            self._keep(self._descriptions[topic], payload, now_ms)
        elif retained and topic.startswith(self._alerts):
            self._values.had(topic, payload)
        elif topic == self._state_topic and not retained:
            self._contradicted(payload, now_ms)
        return ()

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Message]:
        """Return what is to be published now."""
        if self._stage == NOT_ANNOUNCED and self._looked(now_ms):
            self._stage = ANNOUNCING
            self._queue = self._announcement()
        if not self._queue and self._stage == ANNOUNCING:
            self._stage = ANNOUNCED
            self._queue = self._completion(now_ms, view)
        first, self._queue = self._queue[:MOST_AT_ONCE], self._queue[MOST_AT_ONCE:]
        if self._queue or self._stage != ANNOUNCED:
            return first
        limits = self._limits.due(now_ms, view, may_speak)
        return [*first, *limits, *self._values.due(now_ms, view)]

    def closing(self, now_ms: int, may_speak: bool) -> Sequence[Message]:
        """Say that we leave on purpose: the root first, by which chargers go."""
        tree = self._tree
        return [
            tree.message(tree.topic("$state", one), DISCONNECTED.encode()) for one in tree.bodies
        ]

    def removal(self) -> list[Message]:
        """Return what removes our devices from the broker for good."""
        return [one for device in self._tree.bodies for one in self._tree.emptied(device)]

    # ---- Announcing.

    def _keep(self, device: str, payload: bytes, now_ms: int) -> None:
        found = read_description(payload)
        if found is None:
            self.counts.refuse(f"{device}: the broker had kept a $description that is none")
            return
        self._found[device] = found
        if device == self._settings.device:
            self._former = former(found[0].get("children"), self._tree)
        if self._stage != NOT_ANNOUNCED:  # it came late: our version may not be above it
            self._stage, self._opened_ms = NOT_ANNOUNCED, now_ms
            self._queue.clear()

    def _looked(self, now_ms: int) -> bool:
        everything = len(self._found) == len(self._tree.bodies)
        return everything or since(now_ms, self._opened_ms) >= LOOK_MS

    def _version(self, device: str) -> int:
        body, version = self._found.get(device, ({}, 0))
        return version if body == self._tree.bodies[device] else version + 1

    def _announcement(self) -> list[Message]:
        """Return the beginning: what may be described only in the state init."""
        tree = self._tree
        items = [tree.message(tree.topic("$state", one), INIT.encode()) for one in tree.bodies]
        for device in self._former:
            items += tree.emptied(device)
        for topic, device in self._descriptions.items():
            payload = with_version(tree.bodies[device], self._version(device))
            items.append(tree.message(topic, payload))
        return items

    def _completion(self, now_ms: int, view: SystemView) -> list[Message]:
        """Return the rest: every value, no limits of an earlier life, and that we are ready."""
        items = self._limits.emptied() + self._values.all(now_ms, view)
        return [*items, self._tree.message(self._state_topic, READY.encode())]

    def _contradicted(self, payload: bytes, now_ms: int) -> None:
        """The will of an earlier connection came late, or somebody else uses our name."""
        if self._stage != ANNOUNCED or payload in (INIT.encode(), READY.encode()):
            return
        if payload != LOST.encode():
            self.counts.refuse(f"{self._state_topic}: somebody else publishes it")
        if not self._queue and since(now_ms, self._said_ms) >= STATE_AGAIN_MS:
            self._said_ms = now_ms
            self._queue.append(self._tree.message(self._state_topic, READY.encode()))

    # ---- Being asked.

    def _asked(self, settable: Settable, payload: bytes, retained: bool) -> Request | None:
        self.counts.received += 1
        chosen = self._settings
        if retained:
            self.counts.refuse(f"{settable.topic}/set: a command that the broker had kept")
            return None
        try:
            request = request_of(
                settable.about, settable.asks, settable.pack, payload,
                chosen.source, chosen.requests_last_s * 1_000,
            )  # fmt: skip
        except BadValueError as error:
            self.counts.refuse(f"{settable.topic}/set: expected {error}")
            return None
        if len(self._queue) < MOST_AT_ONCE:  # the convention wants the value as an answer
            self._queue.append(self._tree.message(settable.topic, payload, retained=False))
        return request


def former(children: object, tree: Tree) -> list[str]:
    """Return the devices of packs among `children` that are no longer ours."""
    if not isinstance(children, list):
        return []
    ours = tree.settings.device + "-"
    named = [one for one in children if isinstance(one, str) and ID.fullmatch(one)]
    return [one for one in named if one.startswith(ours) and one not in tree.bodies][:MOST_PACKS]
