"""The Homie convention's rules, written down from its text: not from our code.

convention.md of version 5.0: "Topic IDs", "Payload" (each datatype), "Device Attributes",
"Property Attributes".
"""

import json
import re
from collections.abc import Iterable
from typing import Any

from jsonschema import Draft202012Validator

ID = "^[a-z0-9-]+$"
ATTRIBUTES = {"$state", "$description", "$log", "$alert"}
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}
PROPERTY = {
    "type": "object",
    "required": ["datatype"],
    "additionalProperties": False,
    "properties": {
        "name": {"type": "string"},
        "datatype": {
            "enum": ["integer", "float", "boolean", "string", "enum", "color", "datetime",
                     "duration", "json"]
        },
        "format": {"type": "string", "minLength": 1},
        "settable": {"type": "boolean"},
        "retained": {"type": "boolean"},
        "unit": {"type": "string", "minLength": 1},
    },
    # The format of an enum is mandatory: members divided by commas, none of them empty.
    "if": {"properties": {"datatype": {"const": "enum"}}},
    "then": {"required": ["format"], "properties": {"format": {"pattern": "^[^,]+(,[^,]+)*$"}}},
}  # fmt: skip
NODE = {
    "type": "object",
    "additionalProperties": False,
    "properties": {
        "name": {"type": "string"},
        "type": {"type": "string"},
        "properties": {
            "type": "object",
            "propertyNames": {"pattern": ID},
            "additionalProperties": PROPERTY,
        },
    },
}
DESCRIPTION = {
    "type": "object",
    "required": ["homie", "version"],
    "additionalProperties": False,
    "properties": {
        "homie": {"type": "string", "pattern": r"^5\.\d+$"},
        "version": {"type": "integer"},
        "nodes": {
            "type": "object",
            "propertyNames": {"pattern": ID},
            "additionalProperties": NODE,
        },
        "name": {"type": "string"},
        "type": {"type": "string"},
        "children": {"type": "array", "items": {"pattern": ID}, "uniqueItems": True},
        "root": {"pattern": ID},
        "parent": {"pattern": ID},
        "extensions": {"type": "array", "items": {"type": "string"}},
    },
    # A child names its root; without children and parent, a device is its own root.
    "dependentRequired": {"parent": ["root"]},
}
VALIDATOR = Draft202012Validator(DESCRIPTION)
NUMBER_FORMAT = re.compile(r"(-?[\d.]+)?:(-?[\d.]+)?(:[\d.]+)?")


class Follower:
    """A controller by the book: follows what is published, complains of what breaks a rule."""

    def __init__(self, domain: str = "homie") -> None:
        self._start = f"{domain}/5/"
        self.described: dict[str, dict[str, Any]] = {}
        self.states: dict[str, str] = {}
        self.values: dict[str, str] = {}
        self.versions: dict[str, list[int]] = {}

    def hears(self, messages: Iterable[tuple[str, bytes, bool, int]]) -> None:
        """Follow messages in the order in which they were published."""
        for topic, payload, retained, _ in messages:
            self.hear(topic, payload, retained)

    def hear(self, topic: str, payload: bytes, retained: bool) -> None:
        """Follow one message. Raises AssertionError: it breaks a rule."""
        assert topic.startswith(self._start), topic
        device, *path = topic.removeprefix(self._start).split("/")
        assert re.match(ID, device), device
        if path[0].startswith("$"):
            assert path[0] in ATTRIBUTES, path
            assert retained, f"{topic} has to be retained"
            self._attribute(device, path, payload)
        else:
            assert len(path) == 2, topic
            assert all(re.match(ID, part) for part in path), topic
            self._value(device, path, payload, retained)

    def _attribute(self, device: str, path: list[str], payload: bytes) -> None:
        if path == ["$state"]:
            if payload:
                assert payload.decode() in STATES
                self.states[device] = payload.decode()
            else:
                for known in (self.states, self.described):
                    known.pop(device, None)
        elif path == ["$description"] and payload:
            assert self.states.get(device) in ("init", "disconnected", "lost")
            found = json.loads(payload)
            VALIDATOR.validate(found)
            self._formats(found)
            versions = self.versions.setdefault(device, [])
            before = {k: v for k, v in self.described.get(device, {}).items() if k != "version"}
            now = {k: v for k, v in found.items() if k != "version"}
            if versions:
                assert found["version"] >= versions[-1] + (now != before)
            versions.append(found["version"])
            self.described[device] = found

    def _formats(self, found: dict[str, Any]) -> None:
        for node in found["nodes"].values():
            for about in node["properties"].values():
                if about["datatype"] in ("integer", "float") and "format" in about:
                    assert NUMBER_FORMAT.fullmatch(about["format"]), about
                if about["datatype"] == "json" and "format" in about:
                    Draft202012Validator.check_schema(json.loads(about["format"]))

    def _value(self, device: str, path: list[str], payload: bytes, retained: bool) -> None:
        if not payload:
            self.values.pop("/".join([device, *path]), None)
            return
        about = self.described[device]["nodes"][path[0]]["properties"][path[1]]
        assert retained == about.get("retained", True), (device, path)
        valid(about, payload.decode())
        self.values["/".join([device, *path])] = payload.decode()


def valid(about: dict[str, Any], text: str) -> None:
    """Raises AssertionError: `text` is no payload of such a property."""
    kind, form = about["datatype"], about.get("format", "")
    if kind in ("integer", "float"):
        pattern = r"-?\d+" if kind == "integer" else r"-?\d+(\.\d*)?([eE][+-]?\d+)?"
        assert re.fullmatch(pattern, text), (about, text)
        low, high = ([*form.split(":"), "", ""])[:2]
        assert not low or float(low) <= float(text), (about, text)
        assert not high or float(text) <= float(high), (about, text)
    elif kind == "boolean":
        assert text in ("true", "false"), (about, text)
    elif kind == "enum":
        assert text in form.split(","), (about, text)
    elif kind == "json":
        Draft202012Validator(json.loads(form)).validate(json.loads(text))
    else:
        assert kind == "string", about
