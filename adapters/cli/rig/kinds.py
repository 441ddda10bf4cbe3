"""What can be played and listened to on each kind of link: the gateway's kinds, turned round.

`plays` takes the settings of what hears a pack, and `listens` those of what speaks to chargers, so
that a site's rows can be copied. A kind loads its adapter when a rig asks for it.
"""

from collections.abc import Callable, Mapping
from typing import Any

from attrs import evolve, field, frozen

from adapters.cli.rig import ears
from adapters.cli.rig.voices import AnswersAsks, Players, Says, Voice, each_reading, every
from adapters.gateway.catalogue import KINDS
from adapters.gateway.kind import LinkKind, Row, Surroundings, TalkerKind

RVC_EVERY_MS = 500


@frozen(kw_only=True)
class PlaysLines:
    """`[[links.plays]] as = "json-lines"`: these packs, on one line."""

    packs: list[str] = field()

    @packs.validator
    def _some(self, _: object, value: list[str]) -> None:
        if not value:
            raise ValueError('names of packs, such as ["oak", "fir"]')


@frozen(kw_only=True)
class ListensLines:
    """`[[links.listens]] as = "json-lines"`: nothing to set."""


@frozen(kw_only=True)
class ListensRvc:
    """`[[links.listens]] as = "rv-c"`: a charger of this DC instance."""

    instance: int = 1


@frozen(kw_only=True)
class ListensSunSpec:
    """`[[links.listens]] as = "sunspec"`: reads the chain of models."""

    device: int = 1
    base: int = 40_000  # where the chain begins


# ---- Packs.


def _dbc(chosen: Any, around: Surroundings) -> Players:
    from adapters.can.hears import DbcPack, DbcPackSide
    from adapters.can.map_file import load_map

    if chosen.pack is None:
        raise ValueError("pack, the name of the one that is played")
    rows = load_map(around.folder / chosen.map)

    def speaks() -> Says:
        return Says(DbcPackSide(chosen, rows).frames)

    return Players({chosen.pack: Voice(speaks, lambda: DbcPack(chosen, rows))})


def _rvc(chosen: Any, around: Surroundings) -> Players:
    from adapters.rvc.opposite import pack_frames

    def said(report: Any) -> Any:
        return pack_frames(report, chosen.instance)

    return Players({chosen.pack: Voice(lambda: Says(every(RVC_EVERY_MS, said)), chosen.talker)})


def _registers(chosen: Any, around: Surroundings) -> Players:
    from adapters.modbus import PackPoller, PackServer, load_map

    rows = load_map(around.folder / chosen.map)
    voice = Voice(
        lambda: PackServer(rows, chosen.device), lambda: PackPoller(rows, chosen), AnswersAsks
    )
    return Players({chosen.pack: voice})


def _topics(chosen: Any, around: Surroundings) -> Players:
    from adapters.mqtt.as_pack import messages
    from adapters.mqtt.topic_map import load_map
    from adapters.mqtt.topics import TopicTalker

    if not chosen.names:
        raise ValueError("pack or packs, those that are played")
    rows = load_map(around.folder / chosen.map)

    def voice(pack: str, name: str) -> Voice:
        def said(report: Any) -> Any:  # nothing is left behind on the broker
            return [
                (topic, load, False, qos) for topic, load, _, qos in messages(rows, name, report)
            ]

        return Voice(lambda: Says(each_reading(said)), lambda: TopicTalker(rows, {pack: name}))

    return Players({pack: voice(pack, name) for pack, name in chosen.names.items()})


def _frames(chosen: Any, around: Surroundings) -> Players:
    from adapters.framed.description import load_map
    from adapters.framed.talker import FramesTalker, PlaysPack

    rows = load_map(around.folder / chosen.map)

    def voice(pack: str, address: int) -> Voice:
        return Voice(lambda: PlaysPack(rows, address), lambda: FramesTalker(rows, {pack: address}))

    return Players({pack: voice(pack, address) for pack, address in chosen.packs.items()})


def _lines(chosen: Any, around: Surroundings) -> Players:
    from adapters.jsonlines.lines_in import LinesIn
    from adapters.jsonlines.opposite import report_line

    def said(report: Any) -> Any:
        return [report_line(report)]

    voice = Voice(lambda: Says(each_reading(said)), lambda: LinesIn(answers=False))
    return Players(dict.fromkeys(chosen.packs, voice))


# ---- Chargers.


def _dbc_charger(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.can.map_file import load_map
    from adapters.can.says import DbcChargerSide

    rows = load_map(around.folder / chosen.map)
    side = DbcChargerSide(chosen, rows)

    def read(item: Any) -> Mapping[str, Any]:
        side.fields.clear()
        side.received(item)
        return side.fields

    return ears.Listens([one.number.meaning.field for one in rows.fields()], read)


def _rvc_charger(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.rvc.charger import RvcCharger

    return ears.RvcEar(RvcCharger(chosen.instance, ears.OWN_MV, ears.OWN_MA))


def _polled_bank(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.modbus import load_map
    from adapters.modbus.bank import read_bank
    from adapters.modbus.maps import blocks

    rows = load_map(around.folder / chosen.map)
    all_blocks = [
        (group.function, address, count)
        for group in rows.groups
        for address, count in blocks(group, rows.largest_block)
    ]

    def next_block(words: dict[tuple[int, int], int]) -> tuple[int, int, int] | None:
        left = [block for block in all_blocks if block[:2] not in words]
        return left[0] if left else None

    def read(words: dict[tuple[int, int], int], _: int) -> Mapping[str, Any]:
        return read_bank(rows, tables(words))

    return ears.Polls(_fields(rows), chosen.device, next_block, read)


def _written_bank(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.modbus import load_map
    from adapters.modbus.bank import read_bank

    rows = load_map(around.folder / chosen.map)
    addresses = frozenset(
        at
        for group in rows.groups
        for row in group.rows
        for at in range(row.address, row.address + row.size)
    )

    def read(words: dict[tuple[int, int], int]) -> Mapping[str, Any]:
        return read_bank(rows, tables(words))

    return ears.IsWritten(_fields(rows), chosen.device, addresses, read)


def _fields(rows: Any) -> list[str]:
    return [row.field for group in rows.groups for row in group.rows]


def tables(words: dict[tuple[int, int], int]) -> dict[int, dict[int, int]]:
    """Return words by function and address."""
    found: dict[int, dict[int, int]] = {}
    for (function, address), word in words.items():
        found.setdefault(function, {})[address] = word
    return found


def _sunspec(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.registers import HOLDING
    from adapters.sunspec.reading import Reader, next_block

    reader = Reader()

    def chain(words: dict[tuple[int, int], int]) -> list[int]:
        return [word for _, word in sorted(words.items())]

    def block(words: dict[tuple[int, int], int]) -> tuple[int, int, int] | None:
        wanted = next_block(chain(words), ears.BLOCK)
        return None if wanted is None else (HOLDING, chosen.base + wanted[0], wanted[1])

    def read(words: dict[tuple[int, int], int], now_ms: int) -> Mapping[str, Any]:
        orders = reader.orders(chain(words), now_ms)
        return {
            "charge_current_limit_ma": orders.charge_current_ma,
            "discharge_current_limit_ma": orders.discharge_current_ma,
            "charge_voltage_limit_mv": orders.charge_voltage_mv,
            "discharge_voltage_limit_mv": orders.discharge_voltage_mv,
            "charge_allowed": orders.charge_current_ma > 0,
            "discharge_allowed": orders.discharge_current_ma > 0,
        }

    return ears.Polls(ears.FIELDS, chosen.device, block, read)


def _homie(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.homie.reader import HomieReader

    return ears.HomieEar(HomieReader(chosen))


def _view_lines(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.jsonlines.opposite import ViewReader

    reader = ViewReader()

    def read(item: Any) -> Mapping[str, Any]:
        return next(iter(reader.views(item)[-1:]), {})

    return ears.Listens(ears.FIELDS, read)


# ---- Which of them there are, on which kinds of links.

STREAMS = ("serial", "tcp", "tcp-listen", "stdio", "ble")


def _can(kind: LinkKind) -> LinkKind:
    hears, says = kind.hears, kind.says
    plays = {"dbc": evolve(hears["dbc"], make=_dbc), "rv-c": evolve(hears["rv-c"], make=_rvc)}
    listens = {
        "dbc": evolve(says["dbc"], make=_dbc_charger),
        "rv-c": TalkerKind(ListensRvc, _rvc_charger),
    }
    return evolve(kind, hears=plays, says=listens)


def _stream(kind: LinkKind) -> LinkKind:
    lines = TalkerKind(PlaysLines, _lines, lambda chosen: list(chosen.packs))
    plays = {"frames": evolve(kind.hears["frames"], make=_frames), "json-lines": lines}
    return evolve(kind, hears=plays, says={"json-lines": TalkerKind(ListensLines, _view_lines)})


def _mqtt(kind: LinkKind) -> LinkKind:
    plays = {"topics": evolve(kind.hears["topics"], make=_topics)}
    return evolve(kind, hears=plays, says={"homie": evolve(kind.says["homie"], make=_homie)})


def _modbus_client(kind: LinkKind) -> LinkKind:
    """We ask: the bridge serves what it says."""
    from adapters.modbus import ServeSettings

    listens = {
        "registers": TalkerKind(ServeSettings, _polled_bank),
        "sunspec": TalkerKind(ListensSunSpec, _sunspec),
    }
    return evolve(kind, hears={}, says=listens)


def _modbus_server(kind: LinkKind) -> LinkKind:
    """The bridge asks us for packs, or writes what it says."""
    from adapters.modbus import PollSettings, WriteSettings

    plays = TalkerKind(PollSettings, _registers, lambda chosen: [chosen.pack])
    listens = {"registers": TalkerKind(WriteSettings, _written_bank)}
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
