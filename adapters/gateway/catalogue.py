"""Which kinds of links there are, and what can be heard and said on each. One row each.

A row loads its adapter when a site asks for it, so that a site needs only the extras it uses.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from attrs import field, frozen

from adapters.links import Link, MessageLink, Talker, Transport
from aggregator import BankSettings


@frozen
class Surroundings:
    """What a talker may need to know: where the site's file lies, and whose bank it is."""

    folder: Path
    settings: BankSettings


@frozen
class TalkerKind:
    """Something that can be heard or said: its settings (an attrs class), and how it is made.

    `make` raises BadFileError for a map that cannot be used, ValueError for settings that
    contradict each other. `packs`: the packs that it brings; None: whichever it speaks of.
    """

    settings: type
    make: Callable[[Any, Surroundings], Talker[Any]]
    packs: Callable[[Any], Sequence[str] | None] = lambda _: ()


@frozen
class LinkKind:
    """A kind of link. `make_link`: for links that are no transport with talkers."""

    settings: type
    transport: Callable[[Any], Transport[Any]] | None = None
    hears: dict[str, TalkerKind] = field(factory=dict)
    says: dict[str, TalkerKind] = field(factory=dict)
    make_link: Callable[[str, Any, Sequence[Talker[Any]]], Link] | None = None

    def link(self, name: str, settings: Any, talkers: Sequence[Talker[Any]]) -> Link:
        """Return a link of this kind."""
        if self.make_link is not None:
            return self.make_link(name, settings, talkers)
        assert self.transport is not None  # one of the two
        return MessageLink(name, self.transport(settings), talkers)


@frozen
class Row:
    """A kind, loaded on demand; `modules` must be there, and `extra` brings them."""

    load: Callable[[], LinkKind]
    extra: str = ""
    modules: tuple[str, ...] = ()


KINDS: dict[str, Row] = {}
