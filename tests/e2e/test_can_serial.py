"""The CAN transport over a serial adapter, in two processes: ptys instead of ports, bytes crossed."""

import asyncio
import os
import select
import subprocess
import sys
import threading
import tty

import pytest

from adapters.can.bus import EXTENDED, CanBus, CanSettings
from adapters.links import LinkError
from tests.sources import ROOT

OTHER = """
import sys, can
bus = can.Bus(interface="slcan", channel=sys.argv[1], bitrate=250_000, sleep_after_open=0.1)
print("open", flush=True)
for _ in range(3):
    came = bus.recv(10)
    came.data[0] ^= 0xFF
    bus.send(can.Message(arbitration_id=came.arbitration_id + 1, is_extended_id=came.is_extended_id, data=came.data))
bus.shutdown()
"""


class Crossed:
    """Two ptys: what is written to one can be read from the other."""

    def __init__(self) -> None:
        self.masters: list[int] = []
        self.names: list[str] = []
        self.held: list[int] = []  # so that a port that nobody has open yet is not hung up
        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(slave)
            self.masters.append(master)
            self.held.append(slave)
            self.names.append(os.ttyname(slave))
        self._out = threading.Event()
        self._copying = threading.Thread(target=self._copy)
        self._copying.start()

    def _copy(self) -> None:
        while not self._out.is_set():
            ready, _, _ = select.select(self.masters, [], [], 0.05)
            for master in ready:
                other = self.masters[1 - self.masters.index(master)]
                os.write(other, os.read(master, 1000))

    def pull(self) -> None:
        """Take the cable out."""
        self._out.set()
        self._copying.join()
        for number in (*self.masters, *self.held):
            os.close(number)


def port(name: str) -> CanSettings:
    """The settings of a serial adapter."""
    options: dict[str, object] = {"sleep_after_open": 0.1}
    return CanSettings(interface="slcan", channel=name, bitrate=250_000, options=options)


def test_frames_cross_between_processes() -> None:
    """Frames reach another process over a serial adapter and its answers come back."""
    cable = Crossed()
    other = subprocess.Popen(
        [sys.executable, "-c", OTHER, cable.names[1]],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )

    async def talk() -> list[tuple[int, bytes]]:
        bus = CanBus(port(cable.names[0]))
        await bus.open()
        assert other.stdout is not None
        assert await asyncio.to_thread(other.stdout.readline) == "open\n"
        came = []
        for frame in ((0x19FEC946 | EXTENDED, b"\x01" * 8), (0x7F, b"\x02"), (0x10, b"\x03\x04")):
            await bus.send(frame)
            came.append(await asyncio.wait_for(bus.receive(), 10))
        await bus.close()
        return came

    try:
        assert asyncio.run(talk()) == [
            (0x19FEC947 | EXTENDED, b"\xfe" + b"\x01" * 7),
            (0x80, b"\xfd"),
            (0x11, b"\xfc\x04"),
        ]
        assert other.wait(10) == 0
    finally:
        other.kill()
        other.communicate()
        cable.pull()


def test_a_pulled_adapter_is_a_lost_bus() -> None:
    """When the serial adapter goes away, waiting ends with one line."""
    cable = Crossed()

    async def talk() -> None:
        bus = CanBus(port(cable.names[0]))
        await bus.open()
        waiting = asyncio.create_task(bus.receive())
        await asyncio.sleep(0.1)
        await asyncio.to_thread(cable.pull)
        with pytest.raises(LinkError, match="lost"):
            await asyncio.wait_for(waiting, 10)
        await bus.close()

    asyncio.run(talk())
