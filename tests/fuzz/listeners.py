"""The decoders of those who listen to a bank: commands to it, and what chargers make of its words.

They hand no reports over; what they would obey is looked at after every message instead.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from adapters.framed.codec import FrameCodec
from adapters.framed.description import load_map as load_frames
from adapters.framed.talker import PlaysPack
from adapters.homie.reader import HomieReader
from adapters.homie.settings import HomieSettings
from adapters.nmea2000.says import Nmea2000Bank, SaysNmea2000
from adapters.registers import HOLDING, Answer, Ask, Image
from adapters.rvc.charger import LISTENED, RvcCharger
from adapters.sunspec.asking import AskSettings, SunSpecClient
from adapters.sunspec.talker import SunSpecServer, SunSpecSettings, ratings_of
from tests.fuzz.board import INSTANCE, OWN_MA, OWN_MV, as_bytes, chunks, rvc_frames, rvc_source
from tests.fuzz.decoder import Decoder, Understood
from tests.gateway import SETTINGS, VIEW, reading
from tests.homie_board import Board, Message

PAYLOADS = (b"75.5", b"true", b"false", b"3600", b"ready", b"60", b"", b"{}")
# A charger's status from two addresses, who asks, and who claims: 127507, 59904, 60928.
CHARGER_FRAMES = (0x99F21323, 0x99F21324, 0x98EAFF23, 0x98EEFF23)


def listeners(folder: Path) -> list[Decoder]:
    """Return the decoders; `folder` holds the maps of the simulated site."""
    return [_commands(), _follower(), _rvc(), _sunspec(), _nmea(), _asked(folder)]


def _published(topics: Sequence[str]) -> Any:
    """Make messages of bytes, each of: where to, whether the broker had kept it, how long, payload."""

    def messages(data: bytes) -> Iterator[Message]:
        at = 0
        while at + 3 <= len(data):
            topic, kept, length = data[at : at + 3]
            yield topics[topic % len(topics)], data[at + 3 : at + 3 + length], kept > 0xC0, 1
            at += 3 + length

    return messages


def _as_bytes(topics: Sequence[str], topic: str, payload: bytes) -> bytes:
    return bytes([topics.index(topic), 0, len(payload)]) + payload


def _commands() -> Decoder:
    """Settable properties, and descriptions that the broker had kept."""
    topics = list(Board(requests=True).talker.subscriptions)

    def made() -> Any:
        board = Board(requests=True)
        board.opens()
        return board.talker

    right = [_as_bytes(topics, topic, payload) for topic in topics for payload in PAYLOADS]
    return Decoder("homie commands", made, _published(topics), right)


def _follower() -> Decoder:
    class Follows(HomieReader):
        def received(self, item: Message, now_ms: int) -> Any:
            super().received(item, now_ms)
            limits = self.limits(now_ms)
            return () if limits is None else (Understood(tuple(limits)),)

    topics = list(HomieReader(HomieSettings()).subscriptions)
    said = {topic: payload for topic, payload, _, _ in Board().opens() if topic in topics}
    said[topics[0]] = b"ready"
    right = b"".join(_as_bytes(topics, topic, payload) for topic, payload in said.items())
    return Decoder("homie followed", lambda: Follows(HomieSettings()), _published(topics), [right])


def _rvc() -> Decoder:
    """A charger by RV-C keeps within its own settings, whatever it is told."""

    class Obeys(RvcCharger):
        def received(self, item: tuple[int, bytes], now_ms: int) -> Any:  # type: ignore[override]  # to look at what it would do
            super().received(item, now_ms)
            self.decide(now_ms)
            room = OWN_MV - self.voltage_mv, OWN_MA - self.current_ma
            understood = Understood((self.voltage_mv, self.current_ma, *room))
            return (understood,) if self.obeys else ()

    source, view = rvc_source(), Board().site.view
    said = {}
    for now_ms in range(0, 20_000, 100):
        for number, data in source.due(now_ms, view, True):
            if (number >> 8 & 0x1FFFF) in LISTENED:
                said[number] = bytes(data)
    right = as_bytes(said.items())
    return Decoder("rv-c obeyed", lambda: Obeys(INSTANCE, OWN_MV, OWN_MA), rvc_frames, [right])


def _sunspec() -> Decoder:
    server = SunSpecServer(SunSpecSettings(), ratings_of(SunSpecSettings(), SETTINGS))
    server.opened(0)
    view = Board().site.view
    words: dict[int, int] = {}

    class Reads(SunSpecClient):
        """Has asked before every answer; the answer is the server's, with some words exchanged."""

        def received(self, item: bytes, now_ms: int) -> Any:  # type: ignore[override]  # bytes of fuzz
            for image in server.due(now_ms, view, True):
                if isinstance(image, Image) and image.tables:
                    words.update(image.tables[HOLDING])
            for ask in self.due(now_ms, VIEW, True):
                assert isinstance(ask, Ask)
                super().received(Answer(ask, _exchanged(words, ask, item), "silent"), now_ms)
            orders = self.orders(now_ms)
            volts = orders.charge_voltage_mv or 0, orders.discharge_voltage_mv or 0
            understood = Understood((orders.charge_current_ma, orders.discharge_current_ma, *volts))
            return () if orders.why else (understood,)

    return Decoder(
        "sunspec read",
        lambda: Reads(AskSettings()),
        lambda data: iter([data]),
        [b"", b"\0\x05\0\1"],
    )


def _exchanged(words: dict[int, int], ask: Ask, data: bytes) -> tuple[int, ...]:
    """Return the words that are asked for; four bytes exchange one, an odd number cuts the rest off."""
    found = [words.get(ask.address + at, 0xFFFF) for at in range(ask.count)]
    for at in range(0, len(data) - 3, 4):
        found[int.from_bytes(data[at : at + 2]) % ask.count] = int.from_bytes(data[at + 2 : at + 4])
    return tuple(found[: len(data)] if len(data) % 2 else found)


def _nmea() -> Decoder:
    def frames(data: bytes) -> Iterator[tuple[int, bytes]]:
        for at in range(0, len(data), 9):
            yield CHARGER_FRAMES[data[at] % len(CHARGER_FRAMES)], data[at + 1 : at + 9]

    class Hears(Nmea2000Bank):
        def received(self, item: tuple[int, bytes], now_ms: int) -> Any:
            super().received(item, now_ms)
            batteries = tuple(one.battery or 0 for one in self.chargers.values())
            return (Understood(batteries),) if batteries else ()

    settings = SaysNmea2000(manufacturer_code=1_000, unique_number=5)
    return Decoder("nmea 2000 chargers", lambda: Hears(settings), frames, [bytes(9)])


def _asked(folder: Path) -> Decoder:
    description = load_frames(folder / "board.toml")
    request = FrameCodec(description.frames[0], description, 1).request
    assert request

    class Answers(PlaysPack):
        def received(self, item: bytes, now_ms: int) -> Any:
            super().received(item, now_ms)
            answers = self.due(now_ms, VIEW, True)
            return (Understood((len(answers),)),) if answers else ()

    def plays() -> PlaysPack:
        played = Answers(description, 1)
        played.report = reading("oak", 1)
        return played

    return Decoder("framed asked", plays, chunks, [b"\xff" + request])
