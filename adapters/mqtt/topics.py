"""Packs that publish topics: messages to reports, by an owner's map.

What the broker had kept ("retained") is of unknown age. It never makes a reading: it is passed over,
or, where the map says so, taken for a topic that comes seldom (`keep_s`), which cannot make a pack
look alive. Sent again unchanged after a reconnection, it does not count anew.

A pack counts only once every topic that could forbid or limit something has been heard and is
within its `keep_s`; until then its reports are held back: an unknown permission is none. Likewise
while a topic that tells whether its publisher is there says no, or has not been heard.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from attrs import field as attr
from attrs import frozen

from adapters.assembly import Assembly, element, lacking
from adapters.counts import Counts
from adapters.links import Record
from adapters.meaning import LIST_RANGES, Value, merged
from adapters.mqtt.payload import (
    MISSING,
    BadPayloadError,
    at,
    document_of,
    number_of,
    steps_of,
    text_of,
)
from adapters.mqtt.topic_map import PACK, Row, Topic, TopicMap, elements_of, load_map
from aggregator import BusReport, PackReport, SystemView

Message = tuple[str, bytes, bool, int]  # topic, payload, retained, qos
Reading = tuple[Row, Any, Value | None]  # row; the number, or what stands for none; its value
BUS = "bus"  # stands for the meter where a map is about the bus


def filled(text: str, name: str) -> str:
    """Return a topic of the map for the pack that is called `name` on the bus."""
    return text.replace(PACK, name)


class Source:
    """One topic for one pack: its rows with their pointers taken apart."""

    def __init__(self, topic: Topic, name: str) -> None:
        self.topic = topic
        self.part = topic.topic
        self.name = filled(topic.topic, name)
        self.rows = [
            (row, None if row.pointer is None else steps_of(row.pointer)) for row in topic.values
        ]
        self.json = any(steps is not None for _, steps in self.rows)
        self.kept: bytes | None = None  # what came last from the broker's store

    def is_news(self, payload: bytes) -> bool:
        """May a message that the broker had kept count, and is it another one than before?"""
        if not self.topic.retained or self.kept == payload:
            return False
        self.kept = payload
        return True

    def readings(self, document: Any) -> list[Reading]:
        """Return what a document (or a plain text) says. Raises BadPayloadError."""
        said: list[Reading] = []
        for row, steps in self.rows:
            found = document if steps is None else at(document, steps)
            if found is MISSING:
                if not row.optional:
                    raise BadPayloadError(f"nothing at {row.pointer}")
                said.append((row, MISSING, None))
            elif row.field in LIST_RANGES and row.number is None and isinstance(found, list):
                said += [_reading(one, row) for one in found] or [(row, "[]", None)]
            else:
                said.append(_reading(found, row))
        return said

    def fields(self, document: Any) -> dict[str, Any]:
        """Return the fields that a document tells. Raises BadPayloadError."""
        readings = self.readings(document)
        numbered = {
            element(row.field, row.number): value
            for row, _, value in readings
            if row.field in LIST_RANGES and row.number is not None
        }
        rest = [(row, value) for row, _, value in readings if row.number is None]
        return merged(rest) | numbered


def _reading(found: Any, row: Row) -> Reading:
    number = number_of(found, row)
    if number is None:
        return row, "null" if found is None else found, None
    return row, number, row.value(number)


class Pack:
    """The topics of one pack, and the report they make together."""

    def __init__(self, pack: str, topic_map: TopicMap, name: str) -> None:
        self.sources = [Source(topic, name) for topic in topic_map.topics]
        parts = {one.part: one.topic.keep_ms for one in self.sources if not one.topic.alive}
        needed = [one.part for one in self.sources if one.topic.guards]
        self._assembly = Assembly(pack, parts, elements_of(topic_map), needed)
        self._alive = {one.part: False for one in self.sources if one.topic.alive}

    def opened(self) -> None:
        """What was alive before may be gone: the broker tells anew."""
        self._alive = dict.fromkeys(self._alive, False)

    def lives(self, source: Source, payload: bytes) -> None:
        """Learn whether whoever publishes is there."""
        alive = [text.encode() for text in source.topic.alive]
        self._alive[source.part] = payload.strip() in alive

    def put(self, source: Source, fields: Mapping[str, Any], now_ms: int) -> PackReport | None:
        """Take what a topic says; return a whole report, if it makes one."""
        report = self._assembly.put(source.part, fields, now_ms)
        return report if all(self._alive.values()) else None


class TopicTalker:
    """Hears the packs of a map. `packs`: a pack of the bank -> its name on the bus."""

    def __init__(self, topic_map: TopicMap, packs: Mapping[str, str]) -> None:
        self.counts = Counts()
        self._about_bus = topic_map.about == "bus"
        self._routes: dict[str, tuple[Pack, Source]] = {}
        for pack, name in ({BUS: BUS} if self._about_bus else packs).items():
            if not name or any(sign in name for sign in "+#/\0"):
                raise ValueError(f"a name on the bus for {pack}, without + # and /, not {name!r}")
            member = Pack(pack, topic_map, name)
            for source in member.sources:
                if source.name in self._routes:
                    raise ValueError(f"{PACK} in each topic, to tell packs apart")
                self._routes[source.name] = (member, source)

    @property
    def subscriptions(self) -> Sequence[str]:
        """The topics to subscribe to."""
        return tuple(self._routes)

    def opened(self, now_ms: int) -> None:
        """Nothing to announce; what was heard keeps its age."""
        for pack, _ in self._routes.values():
            pack.opened()

    def received(self, item: Message, now_ms: int) -> Sequence[Record]:
        """Return the report that a message completes."""
        topic, payload, retained, _ = item
        if topic not in self._routes:
            return ()
        pack, source = self._routes[topic]
        if source.topic.alive:
            pack.lives(source, payload)
            return ()
        if retained and not source.is_news(payload):
            return ()
        self.counts.received += 1
        try:
            document = document_of(payload) if source.json else text_of(payload)
            fields = source.fields(document)
        except BadPayloadError as error:
            self.counts.refuse(f"{topic}: {error}")
            return ()
        missing = lacking(fields)
        if missing is not None:
            self.counts.refuse(f"{topic}: no {missing} in it")
        report = pack.put(source, fields, now_ms)
        return () if report is None else (self._record(report),)

    def _record(self, report: PackReport) -> Record:
        if not self._about_bus:
            return report
        return BusReport(
            report.sample,
            age_ms=report.age_ms,
            voltage_mv=report.voltage_mv,
            current_ma=report.current_ma,
        )

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Message]:
        """A pack's topics are not ours to publish."""
        return ()


@frozen(kw_only=True)
class TopicSettings:
    """Packs on a broker: which map, and whose topics.

    `map`: a file, relative to the site's. `pack`: a pack of the bank that the bus calls by the same
    name; or `packs`: pack -> its name on the bus; neither for a meter on the common bus.
    """

    # the map's file, relative to SITE.toml
    map: str
    # a pack that the bus calls by the same name
    pack: str = ""
    # or several: pack = its name on the bus
    packs: dict[str, str] = attr(factory=dict)

    @property
    def names(self) -> dict[str, str]:
        """The packs, and what the bus calls them."""
        return {self.pack: self.pack} if self.pack else self.packs


def topic_talker(settings: TopicSettings, folder: Path) -> TopicTalker:
    """Return a talker for a map in `folder`. Raises BadFileError, ValueError."""
    topic_map = load_map(folder / settings.map)
    if (topic_map.about == "bus") == bool(settings.names):
        raise ValueError("pack or packs for a map about packs, neither for one about the bus")
    if settings.pack and settings.packs:
        raise ValueError("pack or packs, not both")
    return TopicTalker(topic_map, settings.names)
