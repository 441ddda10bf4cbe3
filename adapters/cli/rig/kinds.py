"""What can be played and listened to on each kind of link: the gateway's kinds, turned round.

`plays` takes the settings of what hears a pack, and `listens` those of what speaks to chargers, so
that a site's rows can be copied. A kind loads its adapter when a rig asks for it.
"""

from collections.abc import Callable

from attrs import evolve

from adapters.cli.rig import listened, played
from adapters.gateway.catalogue import KINDS
from adapters.gateway.kind import LinkKind, Row, TalkerKind

STREAMS = ("serial", "tcp", "tcp-listen", "stdio", "ble")


def _can(kind: LinkKind) -> LinkKind:
    hears, says = kind.hears, kind.says
    plays = {
        "dbc": evolve(hears["dbc"], make=played.dbc),
        "rv-c": evolve(hears["rv-c"], make=played.rvc),
    }
    listens = {
        "dbc": evolve(says["dbc"], make=listened.dbc),
        "rv-c": TalkerKind(listened.ListensRvc, listened.rvc),
    }
    return evolve(kind, hears=plays, says=listens)


def _stream(kind: LinkKind) -> LinkKind:
    lines = TalkerKind(played.PlaysLines, played.lines, lambda chosen: list(chosen.packs))
    plays = {"frames": evolve(kind.hears["frames"], make=played.frames), "json-lines": lines}
    return evolve(
        kind, hears=plays, says={"json-lines": TalkerKind(listened.ListensLines, listened.lines)}
    )


def _mqtt(kind: LinkKind) -> LinkKind:
    plays = {"topics": evolve(kind.hears["topics"], make=played.topics)}
    return evolve(
        kind, hears=plays, says={"homie": evolve(kind.says["homie"], make=listened.homie)}
    )


def _modbus_client(kind: LinkKind) -> LinkKind:
    """We ask: the bridge serves what it says."""
    from adapters.modbus import ServeSettings

    listens = {
        "registers": TalkerKind(ServeSettings, listened.polled),
        "sunspec": TalkerKind(listened.ListensSunSpec, listened.sunspec),
    }
    return evolve(kind, hears={}, says=listens)


def _modbus_server(kind: LinkKind) -> LinkKind:
    """The bridge asks us for packs, or writes what it says."""
    from adapters.modbus import PollSettings, WriteSettings

    plays = TalkerKind(PollSettings, played.registers, lambda chosen: [chosen.pack])
    listens = {"registers": TalkerKind(WriteSettings, listened.written)}
    return evolve(kind, hears={"registers": plays}, says=listens)


TURNED: dict[str, Callable[[LinkKind], LinkKind]] = {
    "can": _can,
    "mqtt": _mqtt,
    "modbus-tcp": _modbus_client,
    "modbus-rtu": _modbus_client,
    "modbus-tcp-server": _modbus_server,
    "modbus-rtu-server": _modbus_server,
    **dict.fromkeys(STREAMS, _stream),
}


def _row(name: str, turn: Callable[[LinkKind], LinkKind]) -> Row:
    return evolve(KINDS[name], load=lambda: turn(KINDS[name].load()))


RIG_KINDS = {name: _row(name, turn) for name, turn in TURNED.items()}
