"""The simulated site's wires: pseudo-terminals and servers that can be cut, and that can garble."""

import asyncio
import contextlib
import os
import tty
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from adapters.can.hears import DbcPackSide, HearsSettings
from adapters.can.map_file import load_map as load_dbc_map
from adapters.jsonlines.opposite import report_line
from adapters.links import MessageLink, Record, ended
from adapters.modbus import PackServer, ServerTransport, TcpServerSettings
from adapters.modbus import load_map as load_register_map
from adapters.mqtt.as_pack import messages
from adapters.mqtt.topic_map import load_map as load_topic_map
from aggregator import PackReport, SystemView
from tests.broker import Broker

Frame = tuple[int, bytes]
EXTENDED = 1 << 31


class Wire:
    """A pseudo-terminal: the gateway has one end, we the other. It can be cut, and it can garble.

    `guarded`: the bus behind it carries a checksum of its own, as CAN does: what is garbled is lost.
    """

    def __init__(self, random: Random, guarded: bool = False) -> None:
        self._guarded = guarded
        self._near, self._far = os.openpty()
        for end in (self._near, self._far):
            tty.setraw(end)
        os.set_blocking(self._near, False)
        self.name = os.ttyname(self._far)
        self.cut = False
        self.garbled = 0.0  # part of the chunks in which a byte is changed
        self._random = random

    def hear(self, take: Callable[[bytes], None]) -> None:
        """Give everything that comes to `take`, from now on."""

        def readable() -> None:
            with contextlib.suppress(BlockingIOError):
                chunk = self._spoilt(os.read(self._near, 65_536))
                if chunk:
                    take(chunk)

        asyncio.get_running_loop().add_reader(self._near, readable)

    def say(self, chunk: bytes) -> None:
        """Send; what the other end does not take in time is lost, as on a real line."""
        chunk = self._spoilt(chunk)
        with contextlib.suppress(BlockingIOError):
            os.write(self._near, chunk)

    def _spoilt(self, chunk: bytes) -> bytes:
        if self.cut or not chunk:
            return b""
        if self._random.random() < self.garbled:
            if self._guarded:
                return b""
            at = self._random.randrange(len(chunk))
            return chunk[:at] + bytes([self._random.randrange(256)]) + chunk[at + 1 :]
        return chunk

    def close(self) -> None:
        """Take the wire away."""
        asyncio.get_running_loop().remove_reader(self._near)
        os.close(self._near)
        os.close(self._far)


class CanSide:
    """The far end of a serial CAN adapter: its lines of text, and oak's frames."""

    def __init__(self, wire: Wire, folder: Path, take: Callable[[Frame], None]) -> None:
        self._wire = wire
        self._pack = DbcPackSide(
            HearsSettings(map="oak.toml", pack="oak"), load_dbc_map(folder / "oak.toml")
        )
        self._take = take
        self._rest = b""
        wire.hear(self._heard)

    def _heard(self, chunk: bytes) -> None:
        *lines, self._rest = (self._rest + chunk).split(b"\r")
        for line in lines:
            with contextlib.suppress(ValueError, IndexError):
                if line[:1] == b"T":
                    size = int(line[9:10])
                    data = bytes.fromhex(line[10 : 10 + 2 * size].decode())
                    self._take((int(line[1:9], 16) | EXTENDED, data))

    def tell(self, report: PackReport, now_ms: int) -> None:
        """Send what oak has to say."""
        for can_id, data in self._pack.frames(report, now_ms):
            self._wire.say(f"t{can_id:03X}{len(data)}{data.hex().upper()}\r".encode())


class ModbusSide:
    """A Modbus TCP server that plays ash; it can be taken away for a while."""

    view = SystemView([])

    def __init__(self, folder: Path, port: int) -> None:
        self.pack = PackServer(load_register_map(folder / "ash.toml"))
        self._port = port
        self._running: asyncio.Task[None] | None = None

    def start(self) -> None:
        """Serve."""
        transport = ServerTransport(TcpServerSettings(port=self._port, image_ms=60_000))
        link = MessageLink("ash", transport, [self.pack])
        self._running = asyncio.create_task(link.run(self))

    async def stop(self) -> None:
        """Go away."""
        running, self._running = self._running, None
        if running is not None:
            await ended([running])

    # What a link wants of a site; time is real here, as nothing of the bank hangs on it.
    def now_ms(self) -> int:
        return int(asyncio.get_running_loop().time() * 1_000) & 0x3FFFFFFF

    def take(self, records: Sequence[Record], by: str) -> None:
        pass

    def may_speak(self) -> bool:
        return False

    def may_say_no(self) -> bool:
        return self.may_speak()

    async def turn(self, most_s: float) -> None:
        await asyncio.sleep(0.005)


class MqttSide:
    """A broker, and a client on it that plays elm; the broker can be killed."""

    def __init__(self, folder: Path) -> None:
        self.broker = Broker(folder)
        self._map = load_topic_map(folder / "elm.toml")
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.reconnect_delay_set(1, 1)

    def start(self) -> None:
        """Start the broker, and the client, which connects again by itself after a loss."""
        self.broker.start()
        self._client.connect("127.0.0.1", self.broker.port)
        self._client.loop_start()

    def tell(self, report: PackReport) -> None:
        """Publish; without a connection it is lost."""
        if self._client.is_connected():
            for topic, payload, retain, qos in messages(self._map, "elm", report):
                self._client.publish(topic, payload, qos, retain)

    def stop(self) -> None:
        """End both."""
        self._client.disconnect()
        self._client.loop_stop()
        self.broker.stop()


class SerialSide:
    """The far end of a serial line, where fir says JSON lines."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        wire.hear(lambda chunk: None)

    def tell(self, report: PackReport) -> None:
        """Send a line."""
        self._wire.say(report_line(report, checksum=True))
