"""A link to a real broker: what comes in, what goes out, what happens when it is lost."""

import asyncio
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from adapters.counts import Counts
from adapters.links import LinkError, MessageLink, Record
from adapters.mqtt.topic_map import Row, Topic, TopicMap
from adapters.mqtt.topics import TopicTalker
from adapters.mqtt.transport import MqttSettings, MqttTransport, mqtt_link
from aggregator import SystemView
from tests.broker import broker, client

VOLTAGE = Topic(topic="shed/{pack}/u", values=[Row(field="voltage_mv", unit="V")])
MAP = TopicMap(kind="topics", topics=[VOLTAGE])
Message = tuple[str, bytes, bool, int]


class Desk:
    """A stand-in for the gateway: keeps what comes."""

    def __init__(self) -> None:
        self.view = SystemView([])
        self.records: list[Record] = []

    def now_ms(self) -> int:
        return time.monotonic_ns() // 1_000_000 % 2**30

    def take(self, records: Any, by: str) -> None:
        self.records += records

    def may_speak(self) -> bool:
        return True

    def may_say_no(self) -> bool:
        return self.may_speak()

    async def turn(self, most_s: float) -> None:
        await asyncio.sleep(most_s)


class Speaker:
    """A talker that says what it is told to, once, and leaves with a last word."""

    will: Message = ("shed/us", b"lost", True, 1)

    def __init__(self, *items: Message) -> None:
        self.counts = Counts()
        self.items = list(items)

    def opened(self, now_ms: int) -> None: ...

    def received(self, item: Message, now_ms: int) -> list[Record]:
        return []

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> list[Message]:
        items, self.items = self.items, []
        return items

    def closing(self, now_ms: int, may_speak: bool) -> list[Message]:
        return [("shed/us", b"left", True, 2)]


async def until(holds: Callable[[], object], within_s: float = 10) -> None:
    """Wait until something holds."""
    async with asyncio.timeout(within_s):
        while not holds():
            await asyncio.sleep(0.02)


def run_with(link: MessageLink[Message], told: Callable[[Desk], Coroutine[Any, Any, None]]) -> Desk:
    """Run a link while `told` does; then stop it on purpose."""

    async def both() -> Desk:
        desk = Desk()
        task = asyncio.create_task(link.run(desk))
        try:
            await told(desk)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        return desk

    return asyncio.run(both())


def test_a_packs_messages_become_reports(tmp_path: Path) -> None:
    """From an independent publisher through a broker; what the broker had kept makes none."""
    with broker(tmp_path) as there, client(there.port) as pack:
        pack.publish("shed/oak/u", "48.0", retained=True)
        link = mqtt_link(
            "shed",
            MqttSettings(host="127.0.0.1", port=there.port),
            [TopicTalker(MAP, {"oak": "oak"})],
        )

        async def told(desk: Desk) -> None:
            await until(lambda: link.counts.received == 1)
            assert desk.records == []
            await asyncio.to_thread(pack.publish, "shed/oak/u", "53.1", True)
            await until(lambda: desk.records)

        desk = run_with(link, told)
    assert [record.voltage_mv for record in desk.records] == [53_100]  # type: ignore[union-attr]


def test_messages_go_out_in_order_and_the_last_word_last(tmp_path: Path) -> None:
    """Whatever their quality of service; leaving on purpose is told, and no will is sent."""
    items = [("shed/n", str(number).encode(), False, 2) for number in range(100)]
    with broker(tmp_path) as there, client(there.port, "shed/#") as reader:
        link = mqtt_link("shed", MqttSettings(host="127.0.0.1", port=there.port), [Speaker(*items)])

        async def told(desk: Desk) -> None:
            await until(lambda: link.counts.sent == 100)

        run_with(link, told)
        reader.wait_for("shed/us", "left")
        with client(there.port, "shed/#") as late:
            assert late.wait_for("shed/us") == ("shed/us", "left", True)
    assert link.counts.dropped == 0


def test_the_order_is_kept(tmp_path: Path) -> None:
    """Messages under way at the same time do not overtake one another."""
    items = [("shed/n", str(number).encode(), False, 2) for number in range(100)]
    with broker(tmp_path) as there, client(there.port, "shed/n") as reader:
        link = mqtt_link("shed", MqttSettings(host="127.0.0.1", port=there.port), [Speaker(*items)])

        async def told(desk: Desk) -> None:
            await until(lambda: reader.heard.qsize() == 100)

        run_with(link, told)
        assert [payload for _, payload, _ in reader.all()] == [str(n) for n in range(100)]


def test_a_lost_broker_is_found_again(tmp_path: Path) -> None:
    """The link connects and subscribes anew, and says in the meantime what is wrong."""
    with broker(tmp_path) as there:
        link = mqtt_link(
            "shed",
            MqttSettings(host="127.0.0.1", port=there.port),
            [TopicTalker(MAP, {"oak": "oak"})],
        )

        async def told(desk: Desk) -> None:
            await until(lambda: link.counts.opened == 1)
            there.stop()
            await until(lambda: link.counts.trouble)
            await asyncio.to_thread(there.start)
            await until(lambda: link.counts.opened == 2, within_s=20)
            with client(there.port) as pack:
                await asyncio.to_thread(pack.publish, "shed/oak/u", "53.1")
                await until(lambda: desk.records)

        desk = run_with(link, told)
    assert len(desk.records) == 1
    assert link.counts.trouble is not None
    assert f"127.0.0.1:{there.port}: " in link.counts.trouble


def test_a_flood_is_bounded_and_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If we do not keep up, the oldest are dropped, and the newest come."""
    monkeypatch.setattr("adapters.mqtt.transport.MOST_WAITING", 10)

    async def told() -> tuple[list[bytes], int]:
        talker = TopicTalker(MAP, {"oak": "oak"})
        transport = MqttTransport(MqttSettings(host="127.0.0.1", port=there.port), [talker])
        await transport.open()
        for number in range(100):
            await asyncio.to_thread(pack.publish, "shed/oak/u", str(number))
        await until(lambda: transport.counts.dropped == 90)
        came = [(await transport.receive())[1] for _ in range(10)]
        await transport.close()
        return came, transport.counts.dropped

    with broker(tmp_path) as there, client(there.port) as pack:
        came, dropped = asyncio.run(told())
    assert came == [str(number).encode() for number in range(90, 100)]
    assert dropped == 90


def test_nobody_there_is_one_line() -> None:
    """What, and what may help."""

    async def opened() -> None:
        await MqttTransport(MqttSettings(host="127.0.0.1", port=1)).open()

    with pytest.raises(LinkError, match=r"^127\.0\.0\.1:1: .*refused.*: is the broker running"):
        asyncio.run(opened())


@pytest.mark.parametrize(
    ("settings", "expected"),
    [
        ({"port": 0}, "1..65535"),
        ({"keepalive_s": 1}, "2..600"),
        ({"user": "a", "password_file": "a", "password_variable": "A"}, "not both"),
        ({"password_file": "a"}, "a user for the password"),
        ({"ca_file": "a"}, "tls = true"),
    ],
)
def test_settings_that_cannot_be_right(settings: dict[str, Any], expected: str) -> None:
    """They are refused with what was expected."""
    with pytest.raises(ValueError, match=expected):
        MqttSettings(host="h", **settings)


def test_one_last_will_to_a_link() -> None:
    """A connection carries one will only."""
    with pytest.raises(ValueError, match="one talker with a last will"):
        MqttTransport(MqttSettings(host="h"), [Speaker(), Speaker()])
