"""What the gateway has to know about a kind of link, and about what is heard and said on it."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from attrs import field, frozen

from adapters.links import Link, MessageLink, Talker, Transport
from adapters.readings import Readings
from aggregator import BankSettings


@frozen
class Surroundings:
    """What a link or a talker may need to know: where the site's file lies, whose bank it is, and
    what each pack reads."""

    folder: Path
    settings: BankSettings
    readings: Readings = field(factory=Readings)


Make = Callable[[Any, Surroundings], Talker[Any]]
MakeLink = Callable[[str, Any, Sequence[Talker[Any]], Surroundings], Link]


@frozen
class TalkerKind:
    """Something that can be heard or said: its settings (an attrs class), and how it is made.

    `make` raises BadFileError for a map that cannot be used, ValueError for settings that
    contradict each other. `packs`: the packs that it brings; None: whichever it speaks of. `one`:
    would two settings on one link read the same numbers, whatever the packs are called?
    """

    settings: type
    make: Make
    packs: Callable[[Any], Sequence[str] | None] = lambda _: ()
    one: Callable[[Any, Any], bool] = lambda _, __: False


@frozen
class LinkKind:
    """A kind of link: its settings, how it is made, and what can be heard and said on it, by name.

    `make` raises ValueError for talkers that do not go together.
    """

    settings: type
    make: MakeLink
    hears: dict[str, TalkerKind] = field(factory=dict)
    says: dict[str, TalkerKind] = field(factory=dict)


def over(transport: Callable[[Any], Transport[Any]]) -> MakeLink:
    """Return how to make a link over a transport."""
    return lambda name, settings, talkers, _: MessageLink(name, transport(settings), talkers)


@frozen
class Row:
    """A kind, loaded on demand; `modules` must be there, and `extra` brings them."""

    load: Callable[[], LinkKind]
    extra: str = ""
    modules: tuple[str, ...] = ()
