"""Where everything stands: our devices with their descriptions, and the topic of each value."""

from collections.abc import Sequence
from typing import Any

from attrs import frozen

from adapters.homie.asked import BANK_ASKS, PACK_ASKS, Ask, asking
from adapters.homie.convention import Property, description
from adapters.homie.devices import (
    BANK,
    BANK_NODES,
    HOLDS,
    LIMITS,
    PACK,
    PACK_NODES,
    READING,
    Row,
    alert,
    child_id,
    pack_state,
)
from adapters.homie.settings import HomieSettings
from adapters.readings import Readings
from aggregator import SystemView

Message = tuple[str, bytes, bool, int]  # topic, payload, retained, qos


@frozen
class Settable:
    """A property that takes commands: `pack` is whose it is, None: the bank's."""

    about: Property
    asks: Sequence[Ask]
    pack: str | None
    topic: str


class Tree:
    """The topics of one bank and its packs."""

    def __init__(self, settings: HomieSettings, packs: Sequence[str], readings: Readings) -> None:
        self.settings = settings
        self._readings = readings
        self.packs = {pack: child_id(settings.device, pack) for pack in packs}
        self.bodies = self._described()  # device -> description, the root first
        self.settable = self._settable() if settings.requests else {}  # by topic, with /set
        self.limit_topics = [self.topic(row.about.path) for row in LIMITS]
        self.hold_topic = self.topic(HOLDS.path)
        self._bank = [(self.topic(row.about.path), row) for row in BANK]
        self._pack = self._of_each(PACK)
        self._reading = self._of_each(READING)

    def _of_each(self, rows: Sequence[Row]) -> dict[str, list[tuple[str, Row]]]:
        """Return rows with their topics, by pack."""
        return {
            pack: [(self.topic(row.about.path, device), row) for row in rows]
            for pack, device in self.packs.items()
        }

    def topic(self, path: str, device: str | None = None) -> str:
        """Return the topic of something below a device, the root if none is named."""
        return f"{self.settings.domain}/5/{device or self.settings.device}/{path}"

    def message(self, topic: str, payload: bytes, retained: bool = True) -> Message:
        """Return an item to publish."""
        return topic, payload, retained, self.settings.qos

    def values(self, view: SystemView) -> dict[str, bytes]:
        """Return all that informs, by topic; b"": unknown. The packs' $state is among it. What
        packs read comes last: where a broker is slow, that is what waits."""
        said = {topic: _payload(row, view) for topic, row in self._bank}
        packs = [pack for pack in view.packs if pack.pack in self.packs]
        for pack in packs:
            said |= {topic: _payload(row, pack) for topic, row in self._pack[pack.pack]}
            said[self.topic("$state", self.packs[pack.pack])] = pack_state(pack).encode()
        for finding in view.findings:
            one, words = alert(finding)
            said[self.topic(f"$alert/{one}")] = words.encode()
        for pack in packs:
            reading = self._readings.now(pack)
            for topic, row in self._reading[pack.pack]:
                said[topic] = b"" if reading is None else _payload(row, reading)
        return said

    def limits(self, view: SystemView) -> list[bytes]:
        """Return the payloads of `limit_topics`."""
        return [_payload(row, view) for row in LIMITS]

    def emptied(self, device: str) -> list[Message]:
        """Return what removes a device: its $state first, then all that it may have had."""
        rows = [*BANK, *LIMITS] if device == self.settings.device else [*PACK, *READING]
        paths = ["$state", "$description", *(row.about.path for row in rows)]
        return [self.message(self.topic(path, device), b"") for path in paths]

    def _described(self) -> dict[str, dict[str, Any]]:
        chosen = self.settings
        asked = asking(BANK_ASKS) if chosen.requests else []
        properties = [*(row.about for row in (*BANK, *LIMITS)), HOLDS, *asked]
        children = list(self.packs.values())
        root = description(chosen.name, BANK_NODES, properties, children=children)
        bodies = {chosen.device: root}
        asked = asking(PACK_ASKS) if chosen.requests else []
        properties = [*(row.about for row in (*PACK, *READING)), *asked]
        above = {"root": chosen.device, "parent": chosen.device}
        for pack, device in self.packs.items():
            bodies[device] = description(f"Pack {pack}", PACK_NODES, properties, **above)
        return bodies

    def _settable(self) -> dict[str, Settable]:
        owners: list[tuple[str | None, str, Sequence[Ask]]] = [
            (None, self.settings.device, BANK_ASKS),
            *((pack, device, PACK_ASKS) for pack, device in self.packs.items()),
        ]
        found = {}
        for pack, device, asks in owners:
            for about in asking(asks):
                topic = self.topic(about.path, device)
                found[topic + "/set"] = Settable(about, asks, pack, topic)
        return found


def _payload(row: Row, record: object) -> bytes:
    return (row.says(record) or "").encode()
