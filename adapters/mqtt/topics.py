"""Packs that publish topics: messages to reports by an owner's map, and reports to messages.

What the broker had kept ("retained") is of unknown age. It never makes a reading: it is passed over,
or, where the map says so, taken for a topic that comes seldom (`keep_s`), which cannot make a pack
look alive. Sent again unchanged after a reconnection, it does not count anew.

A pack counts only once every topic that could forbid or limit something has been heard and is
within its `keep_s`; until then its reports are held back: an unknown permission is none.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from adapters.assembly import Assembly
from adapters.counts import Counts
from adapters.links import Record
from adapters.meaning import ALARM_SETS, LIST_RANGES, Meaning, Value, merged
from adapters.mqtt.payload import (
    MISSING,
    BadPayloadError,
    at,
    document_of,
    nested,
    number_of,
    steps_of,
    text_of,
)
from adapters.mqtt.topic_map import PACK, Row, Topic, TopicMap
from aggregator import BusReport, PackReport, SystemView
from aggregator.report import REPORT_FLAGS
from aggregator.ticks import since

Message = tuple[str, bytes, bool, int]  # topic, payload, retained, qos
Reading = tuple[Row, Any, Value | None]  # row, number as it came (None: no data), its value
BUS = "bus"  # stands for the meter where a map is about the bus


def filled(text: str, name: str) -> str:
    """Return a topic of the map for the pack that is called `name` on the bus."""
    return text.replace(PACK, name)


class Source:
    """One topic for one pack: its rows with their pointers taken apart."""

    def __init__(self, topic: Topic, name: str) -> None:
        self.topic = topic
        self.part = topic.topic
        step = name.replace("~", "~0").replace("/", "~1")
        self.rows = [
            (row, None if row.pointer is None else steps_of(filled(row.pointer, step)))
            for row in topic.values
        ]
        self.json = self.rows[0][1] is not None
        self.kept: bytes | None = None  # what came last from the broker's store

    def readings(self, document: Any) -> list[Reading]:
        """Return what a document (or a plain text) says. Raises BadPayloadError."""
        said: list[Reading] = []
        for row, steps in self.rows:
            found = document if steps is None else at(document, steps)
            if found is MISSING:
                if not row.optional:
                    raise BadPayloadError(f"nothing at {row.pointer}")
                found = None
            if row.field in LIST_RANGES and row.number is None and isinstance(found, list):
                said += [_reading(one, row) for one in found] or [(row, None, None)]
            else:
                said.append(_reading(found, row))
        return said

    def fields(self, document: Any) -> dict[str, Any]:
        """Return the fields that a document tells. Raises BadPayloadError."""
        return merged([(row, value) for row, _, value in self.readings(document)])


def _reading(found: Any, row: Row) -> Reading:
    number = number_of(found, row)
    return row, number, None if number is None else row.value(number)


class Pack:
    """The topics of one pack, and the report they make together."""

    def __init__(self, pack: str, topic_map: TopicMap, name: str) -> None:
        self.sources = [Source(topic, name) for topic in topic_map.topics]
        self.topics = [filled(topic.topic, name) for topic in topic_map.topics]
        self._assembly = Assembly(pack, {one.part: one.topic.keep_ms for one in self.sources})
        self._guards = {
            one.part: one.topic.keep_ms
            for one in self.sources
            if one.topic.guards and one.topic.keep_ms is not None
        }
        self._heard_ms: dict[str, int] = {}

    def put(self, source: Source, fields: Mapping[str, Any], now_ms: int) -> PackReport | None:
        """Take what a topic says; return a whole report, if it makes one."""
        if source.part in self._guards:
            self._heard_ms[source.part] = now_ms
        report = self._assembly.put(source.part, fields, now_ms)
        return report if self._guarded(now_ms) else None

    def _guarded(self, now_ms: int) -> bool:
        """Is everything known that could forbid or limit?"""
        for part, keep_ms in self._guards.items():
            heard_ms = self._heard_ms.get(part)
            if heard_ms is None:
                return False
            if not 0 <= since(now_ms, heard_ms) <= keep_ms:
                del self._heard_ms[part]  # it must not look new again after a wrap
                return False
        return True


class TopicTalker:
    """Hears the packs of a map. `packs`: a pack of the bank -> its name on the bus."""

    def __init__(self, topic_map: TopicMap, packs: Mapping[str, str]) -> None:
        self.counts = Counts()
        self._about_bus = topic_map.about == "bus"
        self._routes: dict[str, list[tuple[Pack, Source]]] = {}
        told: set[tuple[str, tuple[str, ...] | None]] = set()
        for pack, name in ({BUS: BUS} if self._about_bus else packs).items():
            if not name or any(sign in name for sign in "+#/\0"):
                raise ValueError(f"a name on the bus for {pack}, without + # and /, not {name!r}")
            member = Pack(pack, topic_map, name)
            for topic, source in zip(member.topics, member.sources, strict=True):
                places = {(topic, steps) for _, steps in source.rows}
                if places & told:
                    raise ValueError(f"{PACK} in a topic or in its pointers, to tell packs apart")
                told |= places
                self._routes.setdefault(topic, []).append((member, source))

    @property
    def subscriptions(self) -> Sequence[str]:
        """The topics to subscribe to."""
        return tuple(self._routes)

    def opened(self, now_ms: int) -> None:
        """Nothing to announce; what was heard keeps its age."""

    def received(self, item: Message, now_ms: int) -> Sequence[Record]:
        """Return the reports that a message completes."""
        topic, payload, retained, _ = item
        routes = self._routes.get(topic)
        if routes is None:
            return ()
        if retained:
            routes = [route for route in routes if _is_news(route[1], payload)]
            if not routes:
                return ()
        self.counts.received += 1
        try:
            document = document_of(payload) if routes[0][1].json else text_of(payload)
            said = [(pack, source, source.fields(document)) for pack, source in routes]
        except BadPayloadError as error:
            self.counts.refuse(f"{topic}: {error}")
            return ()
        reports = [pack.put(source, fields, now_ms) for pack, source, fields in said]
        return [self._record(report) for report in reports if report is not None]

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


def _is_news(source: Source, payload: bytes) -> bool:
    """May a message that the broker had kept count, and is it another one than before?"""
    if not source.topic.retained or source.kept == payload:
        return False
    source.kept = payload
    return True


# ---- The other side: what a pack with such topics would publish.


def messages(topic_map: TopicMap, name: str, report: PackReport) -> list[Message]:
    """Return the messages that tell a report, as the pack called `name` on the bus.

    A plain topic without a number to tell and without a text for "no data" is left out.
    """
    made = []
    for topic in topic_map.topics:
        source = Source(topic, name)
        numbers: dict[tuple[str, ...], Any] = {}
        for row, steps in source.rows:
            told = _told(row, getattr(report, row.field))
            if steps is not None and isinstance(numbers.get(steps), int) and isinstance(told, int):
                told |= numbers[steps]  # several bits of one number
            numbers[steps or ()] = told
        if source.json:
            text = json.dumps(nested(numbers), ensure_ascii=False)
        elif numbers[()] is None:
            continue
        else:
            text = str(numbers[()])
        made.append((filled(topic.topic, name), text.encode(), topic.retained, 0))
    return made


def _told(row: Row, value: Any) -> Any:
    """Return what stands in a payload for a value: a number, a text, a list, or None."""
    if row.field in LIST_RANGES and value is not None:
        if row.number is None:
            return [_number(row, one) for one in value]
        value = value[row.number - 1] if row.number <= len(value) else None
    if value is None:
        return row.unknown[0] if row.unknown else None
    if row.field in ALARM_SETS:
        return sum(1 << int(bit) for bit, alarm in row.bits.items() if alarm in value)
    if row.field in REPORT_FLAGS:
        number = (row.true if value else row.false)[0]
        if row.bit is not None:
            return number << row.bit
        return next((word for word, meant in row.words.items() if meant == number), number)
    return _number(row, value)


def _number(row: Meaning, value: int) -> int | float:
    exactly = row.raw(value)
    return int(exactly) if exactly.denominator == 1 else float(exactly)
