"""The decoders that run on a host, each by a map of the simulated site, with a right message each."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from adapters.can.hears import DbcPack, DbcPackSide, HearsSettings
from adapters.can.map_file import load_map as load_dbc
from adapters.framed.codec import FrameCodec
from adapters.framed.description import load_map as load_frames
from adapters.framed.talker import FramesTalker
from adapters.modbus import BankServer, PackPoller, PollSettings, ServeSettings
from adapters.modbus import load_map as load_registers
from adapters.mqtt.as_pack import messages
from adapters.mqtt.topic_map import load_map as load_topics
from adapters.mqtt.topics import TopicTalker
from adapters.nmea2000.hears import HearsNmea2000, Nmea2000Pack
from adapters.registers import Answer, Ask, Written
from adapters.sunspec.talker import SunSpecServer, SunSpecSettings, ratings_of
from tests.day.maps import Places, write_site
from tests.fuzz.board import chunks
from tests.fuzz.decoder import Decoder
from tests.gateway import SETTINGS, VIEW, reading
from tests.sources import ROOT

BANK = """
kind = "registers"
of = "bank"
[[groups]]
name = "limits"
rows = [{ field = "charge_current_limit_ma", address = 0, unit = "A" }]
[[writes]]
request = "cap_charge_current"
address = 10
unit = "A"
lasts_ms = 60_000
"""
CAN_IDS = (0x100, 0x101, 0x102)


def host_decoders(folder: Path) -> list[Decoder]:
    """Return the decoders; their maps are written into `folder`."""
    places = Places(can="", serial="", modbus_port=1, mqtt_port=1, sunspec_port=1)
    write_site(
        folder, places, "", fresh_ms=1, unheard_ms=1, absorption_ms=1, every_ms=1_000, record=""
    )
    return [_frames(folder), _dbc(folder), *_registers(folder), _topics(folder), _nmea()]


def _frames(folder: Path) -> Decoder:
    page = (ROOT / "docs" / "how-to" / "framed-serial.md").read_text(encoding="utf-8")
    path = folder / "board.toml"
    path.write_text(page.split("```toml\n")[2].split("```")[0], encoding="utf-8")
    description = load_frames(path)
    right = FrameCodec(description.frames[0], description, 1).write(
        reading("oak", 1, cells_mv=(3_300, 3_310) * 8)
    )
    return Decoder("framed serial", lambda: FramesTalker(description, {"oak": 1}), chunks, [right])


def _dbc(folder: Path) -> Decoder:
    settings = HearsSettings(map="oak.toml", pack="oak")
    rows = load_dbc(folder / "oak.toml")
    side = DbcPackSide(settings, rows)
    right = [bytes([can_id & 3]) + data for can_id, data in side.frames(reading("oak", 1), 0)]

    def frames(data: bytes) -> Iterator[tuple[int, bytes]]:
        for at in range(0, len(data), 9):
            piece = data[at : at + 9]
            yield CAN_IDS[piece[0] % 3], piece[1:]

    return Decoder("dbc", lambda: DbcPack(settings, rows), frames, [b"".join(right)])


def _registers(folder: Path) -> Iterator[Decoder]:
    pack = load_registers(folder / "ash.toml")
    (folder / "bank.toml").write_text(BANK, encoding="utf-8")
    bank = load_registers(folder / "bank.toml")

    class Polled:
        """A poller that has asked before every answer, as it would have on a line."""

        def __init__(self) -> None:
            self.talker = PackPoller(pack, PollSettings(map="ash.toml", pack="ash"))
            self.counts = self.talker.counts

        def received(self, item: bytes, now_ms: int) -> Any:
            for ask in self.talker.due(now_ms, VIEW, True):
                assert isinstance(ask, Ask)
                words = tuple(int.from_bytes(item[at : at + 2]) for at in range(0, len(item), 2))
                whole = (words * ask.count)[: ask.count] if item[:1] > b"\x20" else words
                return self.talker.received(Answer(ask, whole or None, "silent"), now_ms)
            return ()

    def written(data: bytes) -> Iterator[Written]:
        for at in range(0, len(data), 4):
            piece = data[at : at + 4].ljust(4, b"\0")
            yield Written(1, ((int.from_bytes(piece[:2]) % 64, int.from_bytes(piece[2:])),))
            yield Written(
                1, ((40_000 + int.from_bytes(piece[:2]) % 300, int.from_bytes(piece[2:])),)
            )

    yield Decoder("registers polled", Polled, lambda data: iter([data]), [b"\xff" + bytes(29)])
    yield Decoder(
        "registers written",
        lambda: BankServer(bank, ServeSettings(map="bank.toml")),
        written,
        [b"\0\x0a\0\x64"],
    )
    yield Decoder(
        "sunspec written", lambda: SunSpecServer(SunSpecSettings(), ratings_of(SunSpecSettings(), SETTINGS)),
        written, [b"\0\x78\0\x02"],
    )  # fmt: skip


def _topics(folder: Path) -> Decoder:
    topic_map = load_topics(folder / "elm.toml")
    right = [payload for _, payload, _, _ in messages(topic_map, "elm", reading("elm", 1))]
    assert json.loads(right[0])

    def published(data: bytes) -> Iterator[tuple[str, bytes, bool, int]]:
        yield "shed/elm/state", data, False, 0

    return Decoder("topics", lambda: TopicTalker(topic_map, {"elm": "elm"}), published, right)


def _nmea() -> Decoder:
    def frames(data: bytes) -> Iterator[tuple[int, bytes]]:
        for at in range(0, len(data), 9):
            group = 0x99F21400 if data[at] & 1 else 0x99F21200  # 127508, 127506
            yield group | data[at] >> 1, data[at + 1 : at + 9]

    settings = HearsNmea2000(instance=0, pack="oak")
    status = bytes([15]) + bytes.fromhex("00C01457FE777401")  # the frame of the sources page
    return Decoder("nmea 2000", lambda: Nmea2000Pack(settings), frames, [status])
