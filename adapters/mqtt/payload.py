"""A number out of a payload, plain or JSON.

A payload is anybody's: it is bounded, it must be UTF-8, JSON must be as RFC 8259 has it (no NaN, no
infinity), and whatever is not right refuses the whole message with one line.
"""

import json
import re
from collections.abc import Sequence
from typing import Any, NoReturn

from adapters.meaning import ALARM_SETS
from adapters.mqtt.topic_map import Row
from aggregator.report import REPORT_FLAGS

LARGEST_BYTES = 65_536
LARGEST_NUMBER = 1e15  # nothing that a pack tells comes near
NUMBER = re.compile(r"[+-]?\d{1,15}(\.\d{0,12})?([eE][+-]?\d{1,2})?")


class BadPayloadError(Exception):
    """A payload that cannot be taken; the text is one line."""


def text_of(payload: bytes) -> str:
    """Return a payload's text. Raises BadPayloadError."""
    if len(payload) > LARGEST_BYTES:
        raise BadPayloadError(f"a payload of {len(payload)} bytes; at most {LARGEST_BYTES}")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError:
        raise BadPayloadError("a payload that is not UTF-8") from None


def document_of(payload: bytes) -> Any:
    """Return the JSON document of a payload. Raises BadPayloadError."""
    try:
        return json.loads(text_of(payload), parse_constant=_no_constant)
    except RecursionError:
        raise BadPayloadError("JSON that is nested too deep") from None
    except ValueError as error:
        raise BadPayloadError(f"not JSON: {error}") from None


def _no_constant(name: str) -> NoReturn:
    raise BadPayloadError(f"JSON with {name}, which is no number")


def steps_of(pointer: str) -> tuple[str, ...]:
    """Return the steps of an RFC 6901 pointer: ~1 is a slash, ~0 a tilde, in this order."""
    return tuple(step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:])


class Missing:
    """What a pointer finds where there is nothing."""


MISSING = Missing()


def at(document: Any, steps: Sequence[str]) -> Any:
    """Return what a pointer points at in a document, or MISSING.

    In an array a step is a number without leading zeros (RFC 6901 section 4).
    """
    for step in steps:
        if isinstance(document, dict):
            if step not in document:
                return MISSING
            document = document[step]
        elif isinstance(document, list):
            if not re.fullmatch(r"0|[1-9][0-9]{0,4}", step) or int(step) >= len(document):
                return MISSING
            document = document[int(step)]
        else:
            return MISSING
    return document


def number_of(found: Any, row: Row) -> float | None:
    """Return the number that something found in a payload stands for; None: no data.

    Raises BadPayloadError for what is neither a number nor a known text.
    """
    if found is None:
        return None
    if isinstance(found, str):
        return _number_of_text(found.strip(), row)
    if isinstance(found, bool) and row.field in (*REPORT_FLAGS, *ALARM_SETS):
        return int(found)
    if (
        isinstance(found, bool)
        or not isinstance(found, int | float)
        or not -LARGEST_NUMBER <= found <= LARGEST_NUMBER
    ):
        raise BadPayloadError(f"no usable number for {row.field}: a {type(found).__name__}")
    return found


def _number_of_text(text: str, row: Row) -> float | None:
    if text in row.words:
        return row.words[text]
    if text in row.unknown:
        return None
    number = float(text) if NUMBER.fullmatch(text) and text.isascii() else float("inf")
    if abs(number) > LARGEST_NUMBER:
        raise BadPayloadError(f"no number for {row.field}: {text[:40]!a}")
    return int(number) if number.is_integer() else number
