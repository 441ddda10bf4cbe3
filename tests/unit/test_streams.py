"""Byte streams: what is sent arrives, a loss is told in one line with a remedy, nothing hangs."""

import asyncio
import io
import os
import socket
import subprocess
import sys
import tty
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from adapters.gateway.catalogue import KINDS
from adapters.gateway.journal import Journal
from adapters.gateway.kind import Surroundings
from adapters.gateway.runtime import Gateway
from adapters.links import LinkError, Transport, ended
from adapters.streams import (
    BleSettings,
    BleTransport,
    SerialSettings,
    SerialTransport,
    TcpListenSettings,
    TcpListenTransport,
    TcpSettings,
    TcpTransport,
)
from adapters.streams.ble import MOST_WAITING
from tests.broker import free_port
from tests.gateway import SETTINGS
from tests.sources import ROOT

Other = Callable[[bytes], Awaitable[bytes]]


async def within(doing: Awaitable[Any], seconds: float = 5.0) -> Any:
    """Return what is done, in time."""
    async with asyncio.timeout(seconds):
        return await doing


async def crossed(ours: Transport[bytes], theirs: Transport[bytes]) -> None:
    """Both ends send, and hear each other."""
    await within(ours.send(b"from us"))
    assert await within(theirs.receive()) == b"from us"
    await within(theirs.send(b"from them"))
    assert await within(ours.receive()) == b"from them"


def test_two_ends_of_a_tcp_connection() -> None:
    """One waits, one connects; a third is turned away; a loss is told; it can be done again."""

    async def both() -> None:
        port = free_port()
        waits = TcpListenTransport(TcpListenSettings(port=port))
        for _ in range(2):
            opening = asyncio.create_task(waits.open())
            await asyncio.sleep(0.05)
            comes = TcpTransport(TcpSettings(host="127.0.0.1", port=port))
            await within(comes.open())
            await within(opening)
            await crossed(comes, waits)
            third = TcpTransport(TcpSettings(host="127.0.0.1", port=port))
            await within(third.open())
            with pytest.raises(LinkError, match="closed the connection"):
                await within(third.receive())
            await third.close()
            await comes.close()
            with pytest.raises(LinkError, match="closed the connection"):
                await within(waits.receive())
            await waits.close()

    asyncio.run(both())


def test_who_is_turned_away_is_told_now_and_then() -> None:
    """Through a site's own kind of link: one line at once, then one a minute, with the count; and
    the reason of a loss in the same second is told as such."""
    port, out, wall = free_port(), io.StringIO(), 0.0

    async def run() -> None:
        nonlocal wall
        journal = Journal(out, wall=lambda: wall)
        kind = KINDS["tcp-listen"].load()
        link = kind.make("shed", kind.settings(port=port), [], Surroundings(Path(), SETTINGS))
        running = asyncio.create_task(link.run(Gateway(SETTINGS, [link], journal)))
        await asyncio.sleep(0.05)
        first = TcpTransport(TcpSettings(host="127.0.0.1", port=port))
        await within(first.open())
        await asyncio.sleep(0.05)
        for second in range(70):
            wall = float(second)
            late = TcpTransport(TcpSettings(host="127.0.0.1", port=port))
            await within(late.open())
            with pytest.raises(LinkError):
                await within(late.receive())
            await late.close()
            if second == 69:
                await first.close()
                await asyncio.sleep(0.05)
            journal.looked_at([link])
        await ended([running])

    asyncio.run(run())
    turned = "shed: refused: a second peer, 127.0.0.1: there is room for one; give each a link"
    told = [line.split("  ", 1)[1] for line in out.getvalue().splitlines()]
    assert [line for line in told if line.startswith("shed")] == [
        "shed: open",
        turned,
        turned + " (and 59 times before)",
        "shed: the other side has closed the connection",
    ]


def test_nobody_at_the_other_end_is_one_line() -> None:
    """With where, why, and what may help."""
    port = free_port()
    with pytest.raises(LinkError, match=rf"127\.0\.0\.1:{port}: .*is the other side running\?"):
        asyncio.run(TcpTransport(TcpSettings(host="127.0.0.1", port=port)).open())


def test_a_port_that_is_taken_is_one_line() -> None:
    """Likewise for the waiting side."""

    async def taken() -> None:
        server = await asyncio.start_server(lambda *_: None, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        try:
            await TcpListenTransport(TcpListenSettings(port=port)).open()
        finally:
            server.close()

    with pytest.raises(LinkError, match=r"is the port taken\?"):
        asyncio.run(taken())


class Terminal:
    """The far end of a serial line."""

    def __init__(self) -> None:
        self.near, self.far = os.openpty()
        tty.setraw(self.near)
        tty.setraw(self.far)
        self.name = os.ttyname(self.far)

    def hang_up(self) -> None:
        os.close(self.near)
        os.close(self.far)


def test_a_serial_line_carries_bytes_and_a_hang_up_is_told() -> None:
    """Also when it wakes up with nothing to read."""

    async def line() -> None:
        terminal = Terminal()
        port = SerialTransport(SerialSettings(port=terminal.name))
        await port.open()
        await within(port.send(b"from us"))
        assert os.read(terminal.near, 100) == b"from us"
        receiving = asyncio.create_task(port.receive())
        await asyncio.sleep(0.01)
        port._readable.set()  # a false alarm
        await asyncio.sleep(0.01)
        os.write(terminal.near, b"from them")
        assert await within(receiving) == b"from them"
        receiving = asyncio.create_task(port.receive())
        await asyncio.sleep(0.01)
        terminal.hang_up()
        with pytest.raises(LinkError, match=terminal.name):
            await within(receiving)
        await port.close()

    asyncio.run(line())


def test_a_port_that_is_not_there_is_one_line() -> None:
    """With what may help."""
    with pytest.raises(LinkError, match="is it plugged in, and may this user open it"):
        asyncio.run(SerialTransport(SerialSettings(port="/dev/no-such-port")).open())


class FakeBleak:
    """Stands in for bleak's client: an echo that cuts its answer into notifications."""

    def __init__(self, address: str, disconnected_callback: Callable[[Any], None]) -> None:
        self.address = address
        self.lost = disconnected_callback
        self.written: list[bytes] = []
        self.notified: Callable[[Any, bytearray], None] = lambda _, __: None

    async def connect(self) -> None:
        if self.address == "far":
            raise RuntimeError("no such device")

    async def disconnect(self) -> None:
        pass

    async def start_notify(self, uuid: str, notified: Callable[[Any, bytearray], None]) -> None:
        self.notified = notified

    async def write_gatt_char(self, uuid: str, data: bytes) -> None:
        self.written.append(bytes(data))
        self.notified(None, bytearray(data))


async def fetched(radio: BleTransport) -> None:
    """Fetch until there is no more."""
    while True:
        await within(radio.receive())


def test_a_ble_stream_is_cut_and_bounded() -> None:
    """Writes are cut to what the device takes; what nobody fetches is dropped and counted; a loss
    is told. Against a stand-in: no radio was there."""

    async def stream() -> None:
        made: list[FakeBleak] = []

        def make(address: str, disconnected_callback: Callable[[Any], None]) -> FakeBleak:
            made.append(FakeBleak(address, disconnected_callback))
            return made[-1]

        radio = BleTransport(
            BleSettings(address="near", notify="n", write="w", piece_bytes=4), make
        )
        await radio.open()
        await radio.send(b"0123456789")
        assert made[0].written == [b"0123", b"4567", b"89"]
        assert await within(radio.receive()) == b"0123"
        for _ in range(MOST_WAITING + 10):
            made[0].notified(None, bytearray(b"x"))
        assert radio.dropped > 0
        made[0].lost(None)
        with pytest.raises(LinkError, match="near: the device is out of reach"):
            await fetched(radio)
        await radio.close()

    asyncio.run(stream())


def test_a_device_out_of_reach_is_one_line() -> None:
    """With what may help."""
    radio = BleTransport(BleSettings(address="far", notify="n"), FakeBleak)
    with pytest.raises(
        LinkError, match=r"far: no such device: is Bluetooth on here, and the device near\?"
    ):
        asyncio.run(radio.open())


def test_standard_input_is_piped_in_and_ends_once() -> None:
    """A pipe is read to its end; a file is told how to be piped."""
    code = (
        "import asyncio\n"
        "from adapters.streams import StdioSettings, StdioTransport\n"
        "async def main():\n"
        "    one = StdioTransport(StdioSettings())\n"
        "    await one.open()\n"
        "    await one.send(await one.receive())\n"
        "    try:\n"
        "        await one.receive()\n"
        "    except Exception as error:\n"
        "        print(error)\n"
        "asyncio.run(main())\n"
    )
    done = subprocess.run([sys.executable, "-c", code], input=b"piped\n", capture_output=True, cwd=ROOT, check=True, timeout=30)  # fmt: skip
    assert done.stdout == b"piped\nstandard input has ended\n"


def test_a_peer_without_power_is_noticed() -> None:
    """The system asks a silent peer after 10 s, so that its place is free when it comes back."""

    async def options() -> list[int]:
        port = free_port()
        server = TcpListenTransport(TcpListenSettings(port=port))
        opening = asyncio.create_task(server.open())
        await asyncio.sleep(0.05)
        client = TcpTransport(TcpSettings(host="127.0.0.1", port=port))
        await client.open()
        await opening
        found = []
        for end in (server, client):
            assert end.writer is not None
            line = end.writer.get_extra_info("socket")
            found.append(line.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE))
            found.append(line.getsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE))
        await client.close()
        await server.close()
        return found

    assert asyncio.run(options()) == [1, 10, 1, 10]


def test_an_address_of_somebody_else_is_not_called_taken() -> None:
    """Each reason has its own remedy (192.0.2.0/24: nobody's, RFC 5737)."""
    with pytest.raises(LinkError, match=r"192\.0\.2\.1:7001: .*: is it this host's, and may "):
        asyncio.run(TcpListenTransport(TcpListenSettings(host="192.0.2.1", port=7001)).open())
