"""What a map makes of a recording of topics.

A recording is text, one message a line: `t retained topic payload`, single blanks between; `t` in
seconds (of any clock), `retained` 0 or 1. Most brokers' command-line clients can print this; see
docs/how-to/mqtt.md. Empty lines and lines that start with # are passed over.
"""

import re
from collections.abc import Iterable

from attrs import frozen

from adapters.capture import Seen
from adapters.mqtt.payload import BadPayloadError, document_of, text_of
from adapters.mqtt.topic_map import PACK, TopicMap
from adapters.mqtt.topics import Source

LINE = re.compile(r"(\d{1,12})(?:\.(\d{1,9}))? ([01]) (\S+)(?: (.*))?")


@frozen
class Refused:
    """A line of a recording, or a message in it, that could not be taken, and why."""

    line: int
    why: str


def explain(topic_map: TopicMap, lines: Iterable[str]) -> tuple[list[Seen], list[Refused]]:
    """Return what a map reads in a recording, and what it cannot take. {pack} stands for any name."""
    patterns = [_pattern(topic.topic) for topic in topic_map.topics]
    sources: dict[tuple[int, str], Source] = {}
    seen: list[Seen] = []
    refused: list[Refused] = []
    first_ms: int | None = None
    for number, line in enumerate(lines, start=1):
        line = line.rstrip("\r\n")
        if not line.strip() or line.startswith("#"):
            continue
        taken = LINE.fullmatch(line)
        if taken is None:
            refused.append(Refused(number, "not a line of `t retained topic payload`"))
            continue
        at_ms = int(taken[1]) * 1_000 + int((taken[2] or "").ljust(3, "0")[:3])
        first_ms = at_ms if first_ms is None else first_ms
        for index, pattern in enumerate(patterns):
            name = pattern.fullmatch(taken[4])
            if name is None:
                continue
            key = (index, name.groupdict().get("pack", ""))
            source = sources.setdefault(key, Source(topic_map.topics[index], key[1]))
            try:
                seen += _seen(source, taken[4], (taken[5] or "").encode(), at_ms - first_ms)
            except BadPayloadError as error:
                refused.append(Refused(number, f"{taken[4]}: {error}"))
    return seen, refused


def _pattern(topic: str) -> re.Pattern[str]:
    """Return what finds a topic of the map, with any name for the pack: the same one throughout."""
    before, *rest = topic.split(PACK)
    text = re.escape(before)
    for number, part in enumerate(rest):
        text += ("(?P<pack>[^/]+)" if number == 0 else "(?P=pack)") + re.escape(part)
    return re.compile(text)


def _seen(source: Source, topic: str, payload: bytes, at_ms: int) -> list[Seen]:
    document = document_of(payload) if source.json else text_of(payload)
    return [
        Seen(at_ms, topic + (row.pointer or ""), row.field, number, value)
        for row, number, value in source.readings(document)
    ]
