"""The other side of a map: what a pack with such topics would publish."""

import json
from collections.abc import Mapping
from typing import Any

from adapters.meaning import ALARM_SETS, LIST_RANGES, Meaning
from adapters.mqtt.topic_map import Row, TopicMap
from adapters.mqtt.topics import Message, Source
from aggregator import PackReport
from aggregator.report import REPORT_FLAGS


def messages(topic_map: TopicMap, name: str, report: PackReport) -> list[Message]:
    """Return the messages that tell a report, as the pack called `name` on the bus.

    A plain topic without a number to tell and without a text for "no data" is left out.
    """
    made: list[Message] = []
    for topic in topic_map.topics:
        source = Source(topic, name)
        if topic.alive:
            made.append((source.name, topic.alive[0].encode(), True, 1))
            continue
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
        made.append((source.name, text.encode(), topic.retained, 0))
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


def nested(numbers: Mapping[tuple[str, ...], Any]) -> Any:
    """Return the document in which each pointer's steps lead to its value."""
    if () in numbers:
        return numbers[()]
    branches: dict[str, dict[tuple[str, ...], Any]] = {}
    for steps, value in numbers.items():
        branches.setdefault(steps[0], {})[steps[1:]] = value
    made = {step: nested(rest) for step, rest in branches.items()}
    if list(made) == [str(number) for number in range(len(made))]:
        return list(made.values())
    return made
