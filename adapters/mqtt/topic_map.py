"""An owner's map of topics: TOML, checked whole. docs/how-to/mqtt.md tells it by example.

kind = "topics"

[[topics]]
topic = "shed/{pack}/state"        {pack}: the pack's name on the bus
  [[topics.values]]                a row of adapters.meaning.Meaning, and where the number stands
  field = "voltage_mv"
  pointer = "/dc/voltage"          RFC 6901; left out: the payload is the number itself
  unit = "V"
"""

import re
from pathlib import Path

from attrs import field as attr
from attrs import frozen

from adapters.assembly import guards
from adapters.meaning import ALARM_SETS, FIELDS, LIST_RANGES, Meaning, complaints_of
from adapters.structure import structured
from adapters.toml_file import Complaint, raise_if_any, read_toml
from aggregator.errors import told

PACK = "{pack}"
LONGEST_TOPIC = 200
LONGEST_KEEP_S = 3_600  # what is older than an hour is forgotten (see assembly.py)
BUS_FIELDS = ("voltage_mv", "current_ma")
POINTER = re.compile(r"(/([^~/]|~[01])*)*")


@frozen(kw_only=True)
class Row(Meaning):
    """A meaning, and where in a payload its number stands.

    `pointer`: RFC 6901; "" is the whole document; None: the payload is the number, as plain text.
    `words`: texts that stand for a number, such as {ON = 1, OFF = 0}.
    `unknown`: texts that say "no data"; JSON's null always does.
    `optional`: the number may be missing from a document, and is then unknown; else such a message
    is refused.
    """

    pointer: str | None = None
    words: dict[str, float] = attr(factory=dict)
    unknown: list[str] = attr(factory=list)
    optional: bool = False


@frozen(kw_only=True)
class Topic:
    """One topic and what its payload tells: one part of a report.

    `keep_s` [s], 1..3600: this topic comes seldom, its values count for so long; None: it comes
    with every reading, and no report is made without it.
    `retained`: a value that the broker had kept, of unknown age, counts as if it came now; only
    for a topic with `keep_s`, because it could not make a reading fresh.
    `alive`: instead of values: the payloads that say that whoever publishes the others is there;
    any other says it is gone. The broker's store counts here: a last will is kept there.
    """

    topic: str
    values: list[Row] = attr(factory=list)
    alive: list[str] = attr(factory=list)
    keep_s: float | None = None
    retained: bool = False

    @property
    def keep_ms(self) -> int | None:
        """`keep_s` in the core's unit."""
        return None if self.keep_s is None else round(self.keep_s * 1_000)

    @property
    def guards(self) -> bool:
        """Does it come seldom, and tell something that forbids or limits?"""
        return guards(self.keep_ms, [row.field for row in self.values])


@frozen(kw_only=True)
class TopicMap:
    """A whole map. `about`: "pack", or "bus" for a meter on the common bus."""

    kind: str
    topics: list[Topic]
    about: str = "pack"


def load_map(path: Path) -> TopicMap:
    """Return the map in a file. Raises BadFileError with every complaint."""
    plain, lines = read_toml(path)
    complaints: list[Complaint] = []
    found = structured(plain, TopicMap, (), complaints)
    if found is not None:
        complaints += _map_complaints(found)
    raise_if_any(complaints, path, lines)
    assert found is not None  # or there were complaints
    return found


def _map_complaints(found: TopicMap) -> list[Complaint]:
    complaints = []
    if found.kind != "topics":
        complaints.append(Complaint(("kind",), '"topics"', told(found.kind)))
    if found.about not in ("pack", "bus"):
        complaints.append(Complaint(("about",), '"pack" or "bus"', told(found.about)))
    if all(topic.keep_s is not None or topic.alive for topic in found.topics):
        text = "at least one topic with values and without keep_s, which comes with every reading"
        complaints.append(Complaint(("topics",), text, "none"))
    fields: set[tuple[str, object]] = set()
    names: set[str] = set()
    for number, topic in enumerate(found.topics):
        place = ("topics", number)
        complaints += [one.under(place) for one in _topic_complaints(topic)]
        if topic.topic in names:
            complaints.append(Complaint((*place, "topic"), "each topic once", told(topic.topic)))
        names.add(topic.topic)
        for row_number, row in enumerate(topic.values):
            row_place = (*place, "values", row_number)
            complaints += [one.under(row_place) for one in _row_complaints(row, found.about)]
            if row.field in ALARM_SETS or (row.field in LIST_RANGES and row.number is None):
                continue
            if (row.field, row.number) in fields:
                complaints.append(Complaint((*row_place, "field"), "each field once", row.field))
            fields.add((row.field, row.number))
    return complaints


def _topic_complaints(topic: Topic) -> list[Complaint]:
    complaints = []
    name = topic.topic
    if not name or len(name) > LONGEST_TOPIC or any(sign in name for sign in "+#\0"):
        text = f"1..{LONGEST_TOPIC} characters, with {PACK} for the pack's name, no + and no #"
        complaints.append(Complaint(("topic",), text, told(name)))
    if bool(topic.values) == bool(topic.alive):
        text = "either [[topics.values]] or alive"
        complaints.append(Complaint(("values",), text, "both" if topic.values else "neither"))
    if topic.alive and topic.keep_s is not None:
        complaints.append(Complaint(("keep_s",), "none beside alive", f"{topic.keep_s:g}"))
    if topic.keep_s is not None and not 1 <= topic.keep_s <= LONGEST_KEEP_S:
        complaints.append(Complaint(("keep_s",), f"1..{LONGEST_KEEP_S} s", f"{topic.keep_s:g}"))
    if topic.retained and topic.keep_s is None:
        hint = "what a broker kept must not make a reading look fresh"
        complaints.append(Complaint(("retained",), "a topic with keep_s", "none", hint))
    if len({row.pointer is None for row in topic.values}) > 1:
        text = "either a pointer in every row of a topic, or in none"
        complaints.append(Complaint(("values",), text, "both"))
    return complaints


def _row_complaints(row: Row, about: str) -> list[Complaint]:
    complaints = list(complaints_of(row, BUS_FIELDS if about == "bus" else FIELDS, ()))
    if row.pointer is not None and not POINTER.fullmatch(row.pointer):
        text = 'an RFC 6901 pointer: "" or steps such as "/cells/0", with ~ as ~0 and / as ~1'
        complaints.append(Complaint(("pointer",), text, told(row.pointer)))
    return complaints


def elements_of(found: TopicMap) -> dict[str, int]:
    """Return the lists that come element by element, and how many each has."""
    elements: dict[str, int] = {}
    for topic in found.topics:
        for row in topic.values:
            if row.field in LIST_RANGES and row.number is not None:
                elements[row.field] = max(elements.get(row.field, 0), row.number)
    return elements
