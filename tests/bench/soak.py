"""A day in a gateway's life, at once: `python -m tests.bench.soak [--hours H] [--check]`.

The real gateway, its links and talkers, with transports that are lists in memory and a clock that
is moved by hand: four packs on four buses say something every second, limits go out over RV-C,
SunSpec, Homie and JSON lines, a fault now and then. What is measured is memory: of the process, and
of Python's own objects.
"""

import argparse
import asyncio
import gc
import io
import sys
import tempfile
from collections import deque
from pathlib import Path
from random import Random
from typing import Any

from adapters import links
from adapters.can.hears import DbcPack, DbcPackSide, HearsSettings
from adapters.can.map_file import load_map as load_dbc
from adapters.gateway.journal import Journal
from adapters.gateway.keeper import Keeper
from adapters.gateway.runtime import Gateway
from adapters.homie.settings import HomieSettings
from adapters.homie.talker import HomieTalker
from adapters.jsonlines.lines_in import LinesIn
from adapters.jsonlines.lines_out import LinesOut
from adapters.jsonlines.opposite import report_line
from adapters.links import LinkError, MessageLink
from adapters.modbus import PackPoller, PollSettings, pack_tables
from adapters.modbus import load_map as load_registers
from adapters.mqtt.as_pack import messages
from adapters.mqtt.topic_map import load_map as load_topics
from adapters.mqtt.topics import TopicTalker
from adapters.readings import Readings
from adapters.registers import Answer, Ask
from adapters.rvc.settings import SaysRvc
from adapters.sunspec.talker import SunSpecServer, SunSpecSettings, ratings_of
from aggregator import BankSettings, PackSettings
from aggregator.ticks import TICK_MASK
from tests.day.maps import Places, write_site
from tests.gateway import reading

PACKS = ("oak", "ash", "elm", "fir")
SETTINGS = BankSettings([PackSettings(pack, capacity_mah=100_000) for pack in PACKS])
GROWTH_KB = 2_000  # of the process from the first hour to the end; allocators are not tidy


class Memory:
    """A transport of two ends in memory. `asked`: what a request makes of itself, for polled buses."""

    def __init__(self, answer: Any = None) -> None:
        self.came: asyncio.Queue[Any] = asyncio.Queue()
        self.sent: deque[Any] = deque(maxlen=100)
        self.count = 0
        self._answer = answer
        self._is_open = False

    async def open(self) -> None:
        """It is always there."""
        self._is_open = True

    def put(self, item: Any) -> None:
        """Bring an item; nobody hears it while the bus is closed."""
        if self._is_open:
            self.came.put_nowait(item)

    async def receive(self) -> Any:
        item = await self.came.get()
        if isinstance(item, Exception):
            raise item
        return item

    async def send(self, item: Any) -> None:
        self.sent.append(item)
        self.count += 1
        if self._answer is not None and isinstance(item, Ask):
            self.came.put_nowait(self._answer(item))

    async def close(self) -> None:
        """Forget what was on its way."""
        self._is_open = False
        self.came = asyncio.Queue()


class Soak:
    """The gateway and its packs."""

    def __init__(self, folder: Path) -> None:
        places = Places(can="", serial="", modbus_port=1, mqtt_port=1, sunspec_port=1)
        write_site(
            folder, places, "", fresh_ms=1, unheard_ms=1, absorption_ms=1, every_ms=1_000, record=""
        )
        can_map, self._topics = load_dbc(folder / "oak.toml"), load_topics(folder / "elm.toml")
        self._registers = load_registers(folder / "ash.toml")
        oak = HearsSettings(map="", pack="oak")
        self._oak = DbcPackSide(oak, can_map)
        self._ash = reading("ash", 0)
        self.buses = {
            "can": Memory(),
            "modbus": Memory(self._polled),
            "mqtt": Memory(),
            "lines": Memory(),
            "server": Memory(),
        }
        readings = Readings()
        ratings = ratings_of(SunSpecSettings(), SETTINGS)
        sunspec = SunSpecServer(SunSpecSettings(), ratings, readings)
        talkers: dict[str, list[Any]] = {
            "can": [
                DbcPack(oak, can_map),
                SaysRvc(manufacturer_code=0, identity_number=1).talker(),
            ],
            "modbus": [PackPoller(self._registers, PollSettings(map="", pack="ash"))],
            "mqtt": [
                TopicTalker(self._topics, {"elm": "elm"}),
                HomieTalker(HomieSettings(), PACKS, readings),
            ],
            "lines": [LinesIn(), LinesOut()],
            "server": [sunspec],
        }
        self.now_ms = 0
        self.told = io.StringIO()
        # The bank's time runs much faster than real: waits in real time have to be as short.
        links.FIRST_WAIT_S = links.LONGEST_WAIT_S = 0.001
        made = [
            MessageLink(name, bus, talkers[name], Random(1)) for name, bus in self.buses.items()
        ]
        keeper = Keeper(folder / "state.json")
        self.gateway = Gateway(
            SETTINGS,
            made,
            Journal(self.told),
            keeper,
            clock_ms=lambda: self.now_ms,
            readings=readings,
        )

    def _polled(self, ask: Ask) -> Answer:
        tables = pack_tables(self._registers, self._ash)
        return Answer(
            ask,
            tuple(tables[ask.function][at] for at in range(ask.address, ask.address + ask.count)),
        )

    async def run(self, hours: int) -> list[int]:
        """Run; return the process's memory [kB] after each hour."""
        running = asyncio.create_task(self.gateway.run())
        random, found = Random(1), []
        for hour in range(hours):
            for second in range(3_600):
                self._say(hour * 3_600 + second, random)
                self.now_ms = self.now_ms + 1_000 & TICK_MASK
                for _ in range(12):  # until everybody has had their turn
                    await asyncio.sleep(0)
            gc.collect()
            self.told.seek(0)
            self.told.truncate()
            found.append(resident_kb())
        self.gateway.stop()
        await running
        return found

    def _say(self, second: int, random: Random) -> None:
        amps = 20_000 + 100 * (second % 300)
        said = {
            pack: reading(pack, second % 65_536, current_ma=amps + random.randrange(500))
            for pack in PACKS
        }
        self._ash = said["ash"]
        if second % 5 == 0:
            for frame in self._oak.frames(said["oak"], self.now_ms):
                self.buses["can"].put(frame)
        for topic, payload, retain, qos in messages(self._topics, "elm", said["elm"]):
            self.buses["mqtt"].put((topic, payload, retain, qos))
        line = report_line(said["fir"])
        if random.random() < 0.01:
            line = line.replace(b"1", b"x")
        self.buses["lines"].put(line)
        if random.random() < 0.0005:
            self.buses["lines"].put(LinkError("a fault of the soak"))


def resident_kb() -> int:
    """This process's memory [kB] (Linux)."""
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * 4


def main() -> int:
    """Soak, print, judge."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=int, default=24)
    parser.add_argument("--check", action="store_true")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        soak = Soak(Path(folder))
        found = asyncio.run(soak.run(chosen.hours))
    for hour, kb in enumerate(found, 1):
        print(f"after {hour} h: {kb / 1_000:.1f} MB")
    for name, bus in soak.buses.items():
        print(f"{name}: {bus.count} items sent")
    if (
        min(soak.buses[name].count for name in ("can", "mqtt", "lines", "server"))
        < 3_600 * chosen.hours / 4
    ):
        print("an output fell silent")
        return 1
    growth_kb = found[-1] - found[0]
    print(f"growth since the first hour: {growth_kb} kB")
    return 1 if chosen.check and growth_kb > GROWTH_KB else 0


if __name__ == "__main__":
    sys.exit(main())
