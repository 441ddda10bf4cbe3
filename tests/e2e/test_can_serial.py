"""The CAN transport over a serial adapter, in two processes: ptys instead of ports, bytes crossed."""

import asyncio
import json
import os
import select
import subprocess
import sys
import threading
import tty
from pathlib import Path
from typing import Any

import pytest

from adapters.can.bus import EXTENDED, CanBus, CanSettings
from adapters.links import LinkError
from tests.can_map import example
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


INVERTER = """
import sys, can, json
from pathlib import Path
from adapters.can.hears import DbcPackSide, HearsSettings
from adapters.can.map_file import EXTENDED, load_map
from adapters.can.says import DbcChargerSide, SaysSettings
from aggregator import PackReport

folder = Path(sys.argv[2])
bus = can.Bus(interface="slcan", channel=sys.argv[1], bitrate=250_000, sleep_after_open=0.1)
rows = load_map(folder / "brook.toml")
packs = [DbcPackSide(HearsSettings(map="", pack="x", id_offset=number), rows) for number in (0, 1)]
charger = DbcChargerSide(SaysSettings(map=""), load_map(folder / "weir.toml"))
for turn in range(400):
    for pack in packs:
        report = PackReport("x", turn, voltage_mv=13_200, current_ma=10_000 + turn % 2, soc_permille=500,
            cells_mv=(3_300,) * 4, temperature_min_decic=200, temperature_max_decic=200,
            charge_allowed=True, discharge_allowed=True, charge_voltage_limit_mv=14_200,
            discharge_voltage_limit_mv=11_000, charge_current_limit_ma=50_000, discharge_current_limit_ma=60_000,
            capacity_mah=100_000, protections=())
        for can_id, data in pack.frames(report, 1_000 * turn):
            bus.send(can.Message(arbitration_id=can_id & ~EXTENDED, is_extended_id=can_id >= EXTENDED, data=data))
    came = bus.recv(0.1)
    while came is not None:
        charger.received((came.arbitration_id | (EXTENDED if came.is_extended_id else 0), bytes(came.data)))
        came = bus.recv(0.02)
    if charger.fields.get("charge_allowed"):
        break
print(json.dumps({name: value for name, value in charger.fields.items()}))
bus.shutdown()
"""


def test_a_site_of_two_packs_serves_an_inverter(tmp_path: Path) -> None:
    """The how-to page's site, over a serial adapter: two packs heard, one battery said (fresh process
    on each side); the inverter reads limits that both packs may bear."""
    example(tmp_path)
    cable = Crossed()
    site = (tmp_path / "SITE.toml").read_text(encoding="utf-8")
    options = "options = { sleep_after_open = 0.1 }"
    site = site.replace('"socketcan"', '"slcan"').replace(
        '"can0"', f'"{cable.names[0]}"\n{options}'
    )
    (tmp_path / "SITE.toml").write_text("reenable_ms = 0\n" + site, encoding="utf-8")
    quiet: dict[str, Any] = {
        "cwd": ROOT,
        "text": True,
        "stdout": subprocess.PIPE,
        "stderr": subprocess.STDOUT,
    }
    gateway = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "adapters.cli",
            "run",
            str(tmp_path / "SITE.toml"),
            "--rehearse",
            "10",
        ],
        **quiet,
    )
    inverter = subprocess.Popen(
        [sys.executable, "-c", INVERTER, cable.names[1], str(tmp_path)], **quiet
    )
    try:
        told, _ = inverter.communicate(timeout=60)
        assert inverter.returncode == 0, told
        fields = json.loads(told)
        assert fields["charge_allowed"] is True
        assert 0 < fields["charge_current_limit_ma"] <= 100_000
        assert fields["charge_voltage_limit_mv"] <= 14_200
        assert fields["discharge_voltage_limit_mv"] >= 11_000
        assert fields["voltage_mv"] == 13_200
        assert fields["current_ma"] in (20_000, 20_100)
        assert fields["soc_permille"] == 500
    finally:
        for one in (gateway, inverter):
            one.terminate()
            one.communicate(timeout=20)
        cable.pull()
