"""The vectors: stories told to a bridge in the driver protocol, and what must come back.

A file holds one area. Its `settings` and `healthy` are what a case starts from: a case's own
settings replace them key by key, and a report says only what differs from a healthy pack. Three
words are the kit's own, all others are operations of the driver protocol:

    {"op": "run", "t": 60000, "reports": [...]}   every second until then: these reports, a step;
                                                  "current_ma": {"turns": [0, 20000]} takes turns
    {"op": "line", "text": "{half a line"}        these bytes as they are, then a newline
    {"op": "restore", "state": "kept"}            the state that the step named "kept" gave

schema.json has every key; `python -m conformance.vectors` writes the index and the layout anew.
"""

import json
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

from attrs import field, frozen

from conformance.requirements import BY_ID, aim_of

Plain = dict[str, Any]

FOLDER = Path(__file__).parent
VERSION = "v1"
AREAS = ("merge", "limits", "silence", "requests", "stages", "wire")
KIT = 1
EVERY_MS = 1_000
MOST_TURNS = 100_000  # a run is spelt out; more is a slip of the pen
LONGEST_LINE = 10_000_000  # bytes, likewise
WRAP_MS = 1 << 30  # a run that ends before it begins goes through the wrap


class VectorError(ValueError):
    """A vector file that cannot be used; one line that names the place."""

    def __init__(self, text: str) -> None:
        super().__init__(" ".join(text.splitlines()))


@frozen
class Step:
    """One request of a case, or one raw line, and what is expected of the answer."""

    place: int  # which of the case's steps it belongs to, from 1
    request: Plain | None
    line: bytes | None = None
    answers: bool = True
    expect: Plain = field(factory=dict)
    name: str = ""


@frozen
class Case:
    """One story. `aim`: "safety", which a bridge that allows nothing passes, or "use".

    `settings` None: there is no reset in front. `steps` are spelt out, one a request.
    """

    id: str
    area: str
    title: str
    level: str
    requirements: tuple[str, ...]
    catches: str
    harm: str
    needs: tuple[str, ...]
    settings: Plain | None
    steps: tuple[Step, ...]
    example: bool = False  # shows something; it finds none of the bugs of bridge/bugs.toml
    withdrawn: str = ""  # why it is no longer judged; its id is not used again

    @property
    def aim(self) -> str:
        """What a miss means."""
        return aim_of(self.requirements)

    @property
    def start_ms(self) -> int:
        """The driver's time of the first step."""
        return next((s.request["t"] for s in self.steps if s.request and "t" in s.request), 0)

    @property
    def duration_ms(self) -> int:
        """How much of the driver's time it takes, wraps and backward jumps left out."""
        times = [s.request["t"] for s in self.steps if s.request and "t" in s.request]
        return sum(max(0, b - a) for a, b in pairwise(times))


def _at(row: Plain, turn: int) -> Plain:
    """Return a report as it is in one turn of a run: {"turns": [0, 20000]} takes turns."""
    return {
        key: value["turns"][turn % len(value["turns"])] if isinstance(value, dict) else value
        for key, value in row.items()
    }


def spelt_out(steps: list[Plain], settings: Plain, healthy: Plain) -> Iterator[Step]:
    """Yield the steps of a case one request each: runs unrolled, reports completed."""
    samples: dict[str, int] = {}
    now_ms = 0

    def report(plain: Plain) -> Plain:
        pack = plain.get("pack")
        first: Plain = {key: plain[key] for key in ("op", "t", "pack") if key in plain}
        sample = (samples.get(str(pack), 0) + 1) % 65_536
        made: Plain = {**first, "sample": sample, **healthy, **plain}
        if type(made["sample"]) is int:
            samples[str(pack)] = made["sample"]
        return made

    for place, plain in enumerate(steps, 1):
        kept = {key: plain[key] for key in plain if key not in ("expect", "name", "note")}
        expect, name = plain.get("expect", {}), plain.get("name", "")
        op = kept.get("op")
        if op == "run":
            every_ms = kept.get("every_ms", EVERY_MS)
            end_ms = kept["t"] if kept["t"] >= now_ms else kept["t"] + WRAP_MS
            if end_ms - now_ms > MOST_TURNS * every_ms:
                raise ValueError(f"step {place}: expected a run of at most {MOST_TURNS} turns")
            ticks = [t % WRAP_MS for t in range(now_ms + every_ms, end_ms + 1, every_ms)]
            for turn, t in enumerate(ticks):
                for row in kept.get("reports", ()):
                    yield Step(place, report({"op": "report", "t": t, **_at(row, turn)}))
                step = {"op": "step", "t": t}
                yield Step(place, step, None, True, expect, name if t == ticks[-1] else "")
        elif op == "line":
            line = bytes.fromhex(kept["hex"]) if "hex" in kept else kept["text"].encode()
            if len(line) * kept.get("repeat", 1) > LONGEST_LINE:
                raise ValueError(f"step {place}: expected a line of at most {LONGEST_LINE} bytes")
            line *= kept.get("repeat", 1)
            yield Step(place, None, line, kept.get("answers", True), expect, name)
        elif op == "report":
            yield Step(place, report(kept), None, True, expect, name)
        elif op == "reset":
            yield Step(place, {**kept, "settings": {**settings, **kept.get("settings", {})}},
                       None, True, expect, name)  # fmt: skip
            samples.clear()
        else:
            yield Step(place, kept, None, True, expect, name)
        if op in ("run", "step", "reset") and type(kept.get("t")) is int:
            now_ms = kept["t"]


def case_from(plain: Plain, area: str, settings: Plain, healthy: Plain) -> Case:
    """Return the case in a plain object. Raises VectorError."""
    name = plain.get("id", "a case without an id")
    try:
        for requirement in plain["requirements"]:
            if requirement not in BY_ID:
                raise VectorError(f"{name}: no such requirement: {requirement}")
        own = plain.get("settings", {})
        full = None if own is None else {**settings, **own}
        return Case(
            id=plain["id"],
            area=area,
            title=plain["title"],
            level=plain["level"],
            requirements=tuple(plain["requirements"]),
            catches=plain["catches"],
            harm=plain["harm"],
            needs=tuple(plain.get("needs", ())),
            settings=full,
            steps=tuple(spelt_out(plain["steps"], full or settings, healthy)),
            example=plain.get("example", False),
            withdrawn=plain.get("withdrawn", ""),
        )
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        if isinstance(error, VectorError):
            raise
        raise VectorError(f"{name}: {type(error).__name__}: {error}") from error


def load_file(path: Path) -> tuple[Case, ...]:
    """Return the cases in a file. Raises VectorError, and OSError if it cannot be read."""
    try:
        plain = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise VectorError(f"{path}: not JSON: {error}") from error
    if not isinstance(plain, dict) or plain.get("kit") != KIT:
        raise VectorError(f'{path}: expected a vector file with "kit": {KIT}')
    settings, healthy = plain.get("settings", {}), plain.get("healthy", {})
    try:
        return tuple(
            case_from(case, plain["area"], settings, healthy)
            for case in plain["cases"]
            if not case.get("withdrawn")
        )
    except VectorError as error:
        raise VectorError(f"{path}: {error}") from error
    except (KeyError, TypeError, AttributeError) as error:
        raise VectorError(f"{path}: expected an area and its cases: {error}") from error


def load(areas: tuple[str, ...] = AREAS) -> tuple[Case, ...]:
    """Return the kit's own cases of these areas."""
    return tuple(case for area in areas for case in load_file(FOLDER / VERSION / f"{area}.json"))
