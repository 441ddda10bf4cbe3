"""A map of topics, invented, and a talker that hears by it."""

import json

from adapters.mqtt.topic_map import Row, Topic, TopicMap
from adapters.mqtt.topics import TopicTalker

STATE = Topic(
    topic="shed/{pack}/state",
    values=[
        Row(field="voltage_mv", pointer="/dc/u", unit="V"),
        Row(field="current_ma", pointer="/dc/i", unit="A", positive="discharge"),
        Row(field="charge_current_limit_ma", pointer="/most", unit="A", optional=True),
        Row(field="cells_mv", pointer="/cells", unit="V", optional=True),
    ],
)
SAYS = Topic(
    topic="shed/{pack}/charge",
    keep_s=60,
    retained=True,
    values=[Row(field="charge_allowed", words={"yes": 1, "no": 0}, unknown=["?"])],
)
SIZE = Topic(
    topic="shed/{pack}/size", keep_s=60, values=[Row(field="capacity_mah", unit="Ah", unknown=[""])]
)
MAP = TopicMap(kind="topics", topics=[STATE, SAYS, SIZE])
ALIVE = Topic(topic="shed/{pack}/link", alive=["up", "busy"])
PLAIN = TopicMap(kind="topics", topics=[STATE])
FULL = json.dumps({"dc": {"u": 53.12, "i": -4.5}, "most": 75.25, "cells": [3.31, 3.32]})


class Listener:
    """A talker and a clock: `says` gives it a message and returns the fields of a report."""

    def __init__(self, topic_map: TopicMap = PLAIN, **packs: str) -> None:
        self.talker = TopicTalker(topic_map, packs or {"oak": "oak"})
        self.now_ms = 0

    def says(self, topic: str, payload: str | bytes = FULL, retained: bool = False) -> object:
        """Hear a message 100 ms after the one before; return the record, or None."""
        self.now_ms += 100
        data = payload.encode() if isinstance(payload, str) else payload
        records = self.talker.received((topic, data, retained, 0), self.now_ms)
        assert len(records) <= 1
        return records[0] if records else None
