"""The kinds of maps that owners write: how each is loaded, and explained on a recording. One row each."""

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from attrs import evolve, fields, frozen, has

from adapters.capture import Seen
from adapters.meaning import Meaning

Explained = tuple[list[Seen], list[str]]  # what was read; remarks on what could not be


@frozen
class MapKind:
    """One kind. `explain(map, lines, unit)`: `unit` is the pack's number (topics: its name) on the
    bus, None: whichever; raises ValueError or LinkError for a recording that is none."""

    load: Callable[[Path], Any]
    explain: Callable[[Any, Iterable[str], str | None], Explained]
    extra: str = ""  # the package's extra that brings its libraries
    rows: Callable[[Any], Any] = lambda found: found  # where its rows stand, each once


def _number(unit: str | None) -> int | None:
    """Return a unit's number. Raises ValueError."""
    if unit is None:
        return None
    try:
        return int(unit, 0)
    except ValueError:
        raise ValueError(f'--unit: expected a number for this kind of map, got "{unit}"') from None


def _load_dbc(path: Path) -> Any:
    from adapters.can.map_file import load_map

    return load_map(path)


def _explain_dbc(rows: Any, lines: Iterable[str], unit: str | None) -> Explained:
    from adapters.can.candump import explain

    return explain(rows, lines, _number(unit))


def _load_registers(path: Path) -> Any:
    from adapters.modbus.checks import load_map

    return load_map(path)


def _explain_registers(rows: Any, lines: Iterable[str], unit: str | None) -> Explained:
    from adapters.modbus.capture import explain

    return explain(rows, lines, _number(unit)), []


def _load_topics(path: Path) -> Any:
    from adapters.mqtt.topic_map import load_map

    return load_map(path)


def _explain_topics(rows: Any, lines: Iterable[str], unit: str | None) -> Explained:
    from adapters.mqtt.explain import explain
    from adapters.mqtt.topic_map import PACK

    if unit is not None:
        topics = [evolve(one, topic=one.topic.replace(PACK, unit)) for one in rows.topics]
        rows = evolve(rows, topics=topics)
    return explain(rows, lines)


def _load_frames(path: Path) -> Any:
    from adapters.framed.description import load_map

    return load_map(path)


def _explain_frames(rows: Any, lines: Iterable[str], unit: str | None) -> Explained:
    from adapters.framed.explain import explain

    return explain(rows, lines, _number(unit) or 0), []


MAP_KINDS = {
    "dbc": MapKind(_load_dbc, _explain_dbc, "can", lambda found: found.fields()),
    "registers": MapKind(_load_registers, _explain_registers),
    "topics": MapKind(_load_topics, _explain_topics),
    "frames": MapKind(_load_frames, _explain_frames),
}


def meanings(thing: Any) -> Iterator[Meaning]:
    """Yield every row of a map, of whatever kind: wherever a Meaning stands in it."""
    if isinstance(thing, Meaning):
        yield thing
    elif isinstance(thing, (list, tuple)):
        for one in thing:
            yield from meanings(one)
    elif isinstance(thing, dict):
        yield from meanings(list(thing.values()))
    elif has(type(thing)):
        yield from meanings([getattr(thing, one.name) for one in fields(type(thing))])
