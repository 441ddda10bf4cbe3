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


def _json_lines() -> tuple[dict[str, TalkerKind], dict[str, TalkerKind]]:
    from adapters.jsonlines.settings import HearsJsonLines, SaysJsonLines

    hears = TalkerKind(HearsJsonLines, lambda chosen, _: chosen.talker(), lambda _: None)
    says = TalkerKind(SaysJsonLines, lambda chosen, _: chosen.talker())
    return {"json-lines": hears}, {"json-lines": says}


def _frames() -> dict[str, TalkerKind]:
    from adapters.framed.description import load_map
    from adapters.framed.talker import FramesTalker, HearsFrames

    def make(chosen: HearsFrames, around: Surroundings) -> FramesTalker:
        description = load_map(chosen.file(around.folder))
        return FramesTalker(description, chosen.packs, chosen.answer_ms, chosen.gap_ms)

    return {"frames": TalkerKind(HearsFrames, make, lambda chosen: list(chosen.packs))}


def _stream(settings: type, transport: Callable[[Any], Transport[bytes]]) -> LinkKind:
    """Return a kind of link that moves bytes: the same is heard and said on all of them."""
    hears, says = _json_lines()
    return LinkKind(settings, transport, hears | _frames(), says)


def _serial() -> LinkKind:
    from adapters.streams.port import SerialSettings, SerialTransport

    return _stream(SerialSettings, SerialTransport)


def _tcp() -> LinkKind:
    from adapters.streams.tcp import TcpSettings, TcpTransport

    return _stream(TcpSettings, TcpTransport)


def _tcp_listen() -> LinkKind:
    from adapters.streams.tcp import TcpListenSettings, TcpListenTransport

    return _stream(TcpListenSettings, TcpListenTransport)


def _stdio() -> LinkKind:
    from adapters.streams.terminal import StdioSettings, StdioTransport

    return _stream(StdioSettings, StdioTransport)


def _ble() -> LinkKind:
    from adapters.streams.ble import BleSettings, BleTransport

    return _stream(BleSettings, BleTransport)


KINDS: dict[str, Row] = {
    "serial": Row(_serial, "serial", ("serial",)),
    "tcp": Row(_tcp),
    "tcp-listen": Row(_tcp_listen),
    "stdio": Row(_stdio),
    "ble": Row(_ble, "ble", ("bleak",)),
}
