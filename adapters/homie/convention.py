"""The Homie convention, version 5.0: names, payloads, descriptions. Nothing of batteries.

A device has nodes, a node has properties; <domain>/5/<device>/<node>/<property> holds a value,
.../set takes a command. Payloads are texts; nothing stands for "unknown", so that a topic whose
value is unknown is emptied. What is `settable` but not `retained` is an event.
"""

import json
import re
from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

from attrs import frozen

VERSION = "5.0"
ID = re.compile(r"[a-z0-9-]+")
INIT, READY, DISCONNECTED, LOST = "init", "ready", "disconnected", "lost"
DATATYPES = (
    "integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json",
)  # fmt: skip
LARGEST_BYTES = 65_536
FLOAT = re.compile(r"-?\d{1,15}(\.\d{0,15})?([eE][+-]?\d{1,3})?")
INTEGER = re.compile(r"-?\d{1,18}")


@frozen
class Property:
    """One property, as its description tells it. `format`: "min:max" of numbers, the members of an
    enum, the schema of JSON."""

    node: str
    id: str
    name: str
    datatype: str
    unit: str = ""
    format: str = ""
    settable: bool = False
    retained: bool = True

    @property
    def path(self) -> str:
        """Its topic below its device's."""
        return f"{self.node}/{self.id}"

    def described(self) -> dict[str, Any]:
        """Return its description; what the convention has by default is left out."""
        plain: dict[str, Any] = {"name": self.name, "datatype": self.datatype}
        if self.format:
            plain["format"] = self.format
        if self.settable:
            plain["settable"] = True
        if not self.retained:
            plain["retained"] = False
        if self.unit:
            plain["unit"] = self.unit
        return plain


def description(
    name: str, nodes: Mapping[str, str], properties: Sequence[Property], **more: Any
) -> dict[str, Any]:
    """Return a device's description, without its version. `nodes`: id -> name."""
    described: dict[str, Any] = {}
    for node, node_name in nodes.items():
        own = {one.id: one.described() for one in properties if one.node == node}
        if own:
            described[node] = {"name": node_name, "properties": own}
    return {"homie": VERSION, "name": name, "nodes": described, **more}


def with_version(body: Mapping[str, Any], version: int) -> bytes:
    """Return the payload of $description."""
    return json.dumps({**body, "version": version}, ensure_ascii=False, sort_keys=True).encode()


def read_description(payload: bytes) -> tuple[dict[str, Any], int] | None:
    """Return a description without its version, and that; None: it is none."""
    if len(payload) > LARGEST_BYTES:
        return None
    try:
        plain = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(plain, dict) or type(plain.get("version")) is not int:
        return None
    version = int(plain.pop("version"))
    return (plain, version) if 0 <= version < 1 << 53 else None


# ---- Payloads.


def thousandths(value: int) -> str:
    """Return a number of thousandths as a float's payload, exactly."""
    sign, value = ("-", -value) if value < 0 else ("", value)
    return f"{sign}{value // 1_000}.{value % 1_000:03d}"


def tenths(value: int) -> str:
    """Return a number of tenths as a float's payload, exactly."""
    sign, value = ("-", -value) if value < 0 else ("", value)
    return f"{sign}{value // 10}.{value % 10}"


def boolean(value: bool) -> str:
    """Return a boolean's payload."""
    return "true" if value else "false"


def text(value: str) -> str:
    """Return a string's payload: the empty one is a zero byte, an empty topic has no value."""
    return value or "\0"


class BadValueError(Exception):
    """A payload that is no value of its property; the text is what was expected."""


def parsed(one: Property, payload: bytes) -> int | float | bool | str:
    """Return the value of a payload. Raises BadValueError: wrong type, out of the format's range."""
    try:
        said = payload[:LARGEST_BYTES].decode()
    except UnicodeDecodeError:
        raise BadValueError("UTF-8") from None
    if one.datatype == "boolean":
        if said not in ("true", "false"):
            raise BadValueError("true or false")
        return said == "true"
    if one.datatype == "enum":
        if said not in one.format.split(","):
            raise BadValueError(f"one of {one.format}")
        return said
    if one.datatype in ("integer", "float"):
        return _number(one, said)
    if not said:
        raise BadValueError("a text (the empty one is a zero byte)")
    return "" if said == "\0" else said


def _number(one: Property, said: str) -> int | float:
    pattern, expected = (
        (INTEGER, "a whole number") if one.datatype == "integer" else (FLOAT, "a number")
    )
    if not said.isascii() or not pattern.fullmatch(said):
        raise BadValueError(expected)
    value = int(said) if one.datatype == "integer" else float(said)
    low, high = bounds(one.format)
    if (low is not None and value < low) or (high is not None and value > high):
        raise BadValueError(f"{expected} in {one.format.replace(':', '..')}")
    if not isfinite(value):
        raise BadValueError(f"{expected}, not one without end")
    return value


def bounds(format_text: str) -> tuple[float | None, float | None]:
    """Return lowest and highest of a number's format, min:max[:step]; None: open."""
    low, _, rest = format_text.partition(":")
    high = rest.partition(":")[0]
    return (float(low) if low else None, float(high) if high else None)
