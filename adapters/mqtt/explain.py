"""What a map makes of a recording of topics.

A recording is text, one message a line: `t retained topic payload`, single blanks between; `t` in
seconds (of any clock), `retained` 0 or 1. Most brokers' command-line clients can print this; see
docs/how-to/mqtt.md. Empty lines and lines that start with # are passed over.
"""

import re
from collections.abc import Iterable

from adapters.capture import Seen
from adapters.meaning import LIST_RANGES
from adapters.mqtt.payload import MISSING, BadPayloadError, document_of, text_of
from adapters.mqtt.topic_map import PACK, TopicMap
from adapters.mqtt.topics import Source

SHAPE = "t retained topic payload"
LINE = re.compile(r"(\d{1,12})(?:\.(\d{1,9}))? ([01]) (\S+)(?: (.*))?")


def explain(topic_map: TopicMap, lines: Iterable[str]) -> tuple[list[Seen], list[str]]:
    """Return every number that a map finds in a recording, and why messages would be refused.

    {pack} stands for any name. Raises ValueError: a line that is none, with its number.
    """
    patterns = [_pattern(topic.topic) for topic in topic_map.topics]
    sources: dict[tuple[int, str], Source] = {}
    seen: list[Seen] = []
    remarks: list[str] = []
    first_ms: int | None = None
    for number, line in enumerate(lines, start=1):
        line = line.rstrip("\r\n")
        if not line.strip() or line.startswith("#"):
            continue
        taken = LINE.fullmatch(line)
        if taken is None:
            raise ValueError(f"line {number}: expected `{SHAPE}`, got {line[:40]!r}")
        at_ms = int(taken[1]) * 1_000 + int((taken[2] or "").ljust(3, "0")[:3])
        first_ms = at_ms if first_ms is None else first_ms
        for index, pattern in enumerate(patterns):
            name = pattern.fullmatch(taken[4])
            if name is None or topic_map.topics[index].alive:
                continue
            key = (index, name.groupdict().get("pack", ""))
            source = sources.setdefault(key, Source(topic_map.topics[index], key[1]))
            try:
                seen += _seen(source, (taken[5] or "").encode(), at_ms - first_ms)
            except BadPayloadError as error:
                remarks.append(f"line {number}: {taken[4]} is refused: {error}")
    return seen, remarks


def _pattern(topic: str) -> re.Pattern[str]:
    """Return what finds a topic of the map, with any name for the pack: the same one throughout."""
    before, *rest = topic.split(PACK)
    text = re.escape(before)
    for number, part in enumerate(rest):
        text += ("(?P<pack>[^/]+)" if number == 0 else "(?P=pack)") + re.escape(part)
    return re.compile(text)


def _seen(source: Source, payload: bytes, at_ms: int) -> list[Seen]:
    document = document_of(payload) if source.json else text_of(payload)
    seen: list[Seen] = []
    elements: dict[str, int] = {}
    for row, raw, value in source.readings(document):
        where = source.name + (row.pointer or "")
        if row.field in LIST_RANGES and row.number is None:
            number = elements[row.field] = elements.get(row.field, -1) + 1
            where = f"{where}/{number}"
        if raw is not MISSING:
            seen.append(Seen(at_ms, where, row.field, raw, value))
    return seen
