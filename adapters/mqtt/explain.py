"""What a map makes of a recording of topics.

A recording is text, one message a line: `t retained topic payload`, single blanks between; `t` in
seconds (of any clock), `retained` 0 or 1. Most brokers' command-line clients can print this; see
docs/how-to/mqtt.md. Empty lines and lines that start with # are passed over.
"""

import re
from collections.abc import Iterable

from attrs import frozen

from adapters.mqtt.payload import BadPayloadError, document_of, text_of
from adapters.mqtt.topic_map import PACK, TopicMap
from adapters.mqtt.topics import Source

LINE = re.compile(r"(\d{1,12})(?:\.(\d{1,9}))? ([01]) (\S+)(?: (.*))?")


@frozen
class Refused:
    """A line of a recording, or a message in it, that could not be taken, and why."""

    line: int
    why: str
