"""How packs are played, one function for each way of hearing one; its settings are that way's own."""

from typing import Any

from attrs import field, frozen

from adapters.cli.rig.voices import AnswersAsks, Players, Says, Voice, each_reading, every
from adapters.gateway.kind import Surroundings

RVC_EVERY_MS = 500


@frozen(kw_only=True)
class PlaysLines:
    """`[[links.plays]] as = "json-lines"`: these packs, on one line."""

    packs: list[str] = field()

    @packs.validator
    def _some(self, _: object, value: list[str]) -> None:
        if not value:
            raise ValueError('names of packs, such as ["oak", "fir"]')


def dbc(chosen: Any, around: Surroundings) -> Players:
    from adapters.can.hears import DbcPack, DbcPackSide
    from adapters.can.map_file import load_map

    if chosen.pack is None:
        raise ValueError("pack, the name of the one that is played")
    rows = load_map(around.folder / chosen.map)

    def speaks() -> Says:
        return Says(DbcPackSide(chosen, rows).frames)

    return Players({chosen.pack: Voice(speaks, lambda: DbcPack(chosen, rows))})


def rvc(chosen: Any, around: Surroundings) -> Players:
    from adapters.rvc.opposite import pack_frames

    def said(report: Any) -> Any:
        return pack_frames(report, chosen.instance)

    return Players({chosen.pack: Voice(lambda: Says(every(RVC_EVERY_MS, said)), chosen.talker)})


def registers(chosen: Any, around: Surroundings) -> Players:
    from adapters.modbus import PackPoller, PackServer, load_map

    rows = load_map(around.folder / chosen.map)
    voice = Voice(
        lambda: PackServer(rows, chosen.device), lambda: PackPoller(rows, chosen), AnswersAsks
    )
    return Players({chosen.pack: voice})


def topics(chosen: Any, around: Surroundings) -> Players:
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


def frames(chosen: Any, around: Surroundings) -> Players:
    from adapters.framed.description import load_map
    from adapters.framed.talker import FramesTalker, PlaysPack

    rows = load_map(around.folder / chosen.map)

    def voice(pack: str, address: int) -> Voice:
        return Voice(lambda: PlaysPack(rows, address), lambda: FramesTalker(rows, {pack: address}))

    return Players({pack: voice(pack, address) for pack, address in chosen.packs.items()})


def lines(chosen: Any, around: Surroundings) -> Players:
    from adapters.jsonlines.lines_in import LinesIn
    from adapters.jsonlines.opposite import report_line

    def said(report: Any) -> Any:
        return [report_line(report)]

    voice = Voice(lambda: Says(each_reading(said)), lambda: LinesIn(answers=False))
    return Players(dict.fromkeys(chosen.packs, voice))
