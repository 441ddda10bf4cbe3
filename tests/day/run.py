"""One day: the plant runs, packs speak on their buses, the gateway merges, chargers obey."""

import asyncio
import contextlib
import json
import sys
import time
from pathlib import Path
from random import Random

from adapters.links import ended
from adapters.rvc.charger import RvcCharger
from adapters.sunspec.reading import Reader
from aggregator import PackReport
from conformance.plant.charger import Command
from conformance.plant.scenario import ChargerModel, LoadModel, PackModel, Scenario, SunModel
from conformance.plant.world import World
from tests.broker import free_port
from tests.day.maps import Places, write_site
from tests.day.result import PackPeak, SiteDay
from tests.day.wires import CanSide, Frame, ModbusSide, MqttSide, SerialSide, Wire

FRESH_MS, UNHEARD_MS = 15_000, 90_000
OWN_MV, OWN_MA = 55_200, 60_000  # the RV-C charger's bounds, and what it does when it hears nobody
READ_EVERY_S = 2.0  # the inverter reads so often (of the plant's time)
CHAIN_WORDS = 600


def site(seed: int, minutes: float) -> Scenario:
    """Four packs of a small site, nearly full, on a bright day. Invented data."""
    pairs = (("oak", 80.0, 0.00140, 55.0), ("ash", 60.0, 0.00200, 40.0),
             ("elm", 60.0, 0.00160, 40.0), ("fir", 25.0, 0.00360, 15.0))  # fmt: skip
    packs = [
        PackModel(pack=name, capacity_ah=ah, charge=0.80, cell_ohm=ohm, charge_limit_a=limit_a,
                  discharge_limit_a=1.5 * limit_a, report_s=1.0, skew_s=0.2 * number)
        for number, (name, ah, ohm, limit_a) in enumerate(pairs)
    ]  # fmt: skip
    charger = ChargerModel(latency_s=3.0, part=0.5, rise_a_per_s=5.0)
    return Scenario(
        title="a small site (invented data)", packs=packs, charger=charger, more_chargers=[charger],
        sun=SunModel(peak_a=160.0), load=LoadModel(base_a=5.0, steps_a=[8.0], steps_per_h=6.0),
        start_s=10.0 * 3_600, duration_s=60 * minutes, seed=seed,
    )  # fmt: skip


class Day:
    """The plant, its wires, and the gateway's process."""

    def __init__(self, folder: Path, scenario: Scenario, speed: float, faults: bool) -> None:
        self.result = SiteDay(peaks={pack.pack: PackPeak() for pack in scenario.packs})
        self._scenario = scenario
        self._folder = folder
        self._speed = speed
        self._faults = faults
        self._random = Random(f"faults {scenario.seed}")
        self._world = World(scenario)
        self._rvc = RvcCharger(1, OWN_MV, OWN_MA)
        self._reader = Reader(patience_ms=10_000)
        self._broken: set[str] = set()

    async def run(self) -> SiteDay:
        """Run the day."""
        can, serial = Wire(self._random, guarded=True), Wire(self._random)
        places = Places(can=can.name, serial=serial.name, modbus_port=free_port(),
                        mqtt_port=0, sunspec_port=free_port())  # fmt: skip
        packs = "".join(
            f'[[packs]]\npack = "{one.pack}"\ncapacity_mah = {round(one.capacity_ah * 1_000)}\n\n'
            for one in self._scenario.packs
        )
        numbers = {"fresh_ms": FRESH_MS, "unheard_ms": UNHEARD_MS, "absorption_ms": 600_000,
                   "every_ms": 1_000, "record": "bank.log"}  # fmt: skip
        write_site(self._folder, places, packs, **numbers)
        self._mqtt = MqttSide(self._folder)
        path = write_site(
            self._folder,
            Places(can=can.name, serial=serial.name, modbus_port=places.modbus_port,
                   mqtt_port=self._mqtt.broker.port, sunspec_port=places.sunspec_port),
            packs, **numbers,
        )  # fmt: skip
        self._wires = {"can": can, "serial": serial}
        self._can = CanSide(can, self._folder, self._heard_rvc)
        self._serial = SerialSide(serial)
        self._modbus = ModbusSide(self._folder, places.modbus_port)
        self._mqtt.start()
        self._modbus.start()
        gateway = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "adapters.cli", "run", str(path), "--json",
            "--rehearse", str(self._speed), stderr=asyncio.subprocess.PIPE,
        )  # fmt: skip
        listening = asyncio.create_task(self._journal(gateway))
        inverter = asyncio.create_task(self._invert(places.sunspec_port))
        try:
            await self._pass()
        finally:
            await ended([inverter])
            with contextlib.suppress(ProcessLookupError):
                gateway.terminate()
            async with asyncio.timeout(20):
                await gateway.wait()
            await asyncio.gather(listening, return_exceptions=True)
            await self._modbus.stop()
            self._mqtt.stop()
            for wire in self._wires.values():
                wire.close()
        return self._told()

    async def _pass(self) -> None:
        """Let the plant's time pass, so much faster than real time."""
        world, started_s = self._world, time.monotonic()
        while world.now_s < self._scenario.duration_s:
            ahead_s = world.now_s - (time.monotonic() - started_s) * self._speed
            if ahead_s > 0:
                await asyncio.sleep(ahead_s / self._speed)
            world.step(1.0)
            now_ms = round(world.now_s * 1_000)
            for fields in world.reports():
                self._tell(PackReport(**fields), now_ms)  # type: ignore[arg-type]  # plain fields
            self._rvc.decide(now_ms)
            amps, volt = self._rvc.current_ma / 1_000, self._rvc.voltage_mv / 1_000
            # The goal is for all chargers together; when it decides by itself, it is its own.
            world.chargers[0].tell(
                world.now_s, Command(amps if self._rvc.obeys else 2 * amps, volt, amps > 0)
            )
            self._watch()
            if self._faults:
                await self._break(int(world.now_s))

    def _tell(self, report: PackReport, now_ms: int) -> None:
        match report.pack:
            case "oak":
                self._can.tell(report, now_ms)
            case "ash":
                self._modbus.pack.report = report
            case "elm":
                self._mqtt.tell(report)
            case "fir":
                self._serial.tell(report)

    def _heard_rvc(self, frame: Frame) -> None:
        self._rvc.received(frame, round(self._world.now_s * 1_000))
        self.result.obeyed["rv-c"] = self.result.obeyed.get("rv-c", 0) + 1

    async def _invert(self, port: int) -> None:
        """The second charger: reads the SunSpec chain now and then, and obeys."""
        from pymodbus.client import AsyncModbusTcpClient

        while True:
            client = AsyncModbusTcpClient(
                "127.0.0.1", port=port, timeout=1, retries=0, reconnect_delay=0
            )
            with contextlib.suppress(Exception):  # whatever it is, nothing was read
                await client.connect()
                while client.connected:
                    words = await _chain(client)
                    orders = self._reader.orders(words, round(self._world.now_s * 1_000))
                    amps = orders.charge_current_ma / 1_000
                    volt = (orders.charge_voltage_mv or 0) / 1_000
                    self._world.chargers[1].tell(self._world.now_s, Command(amps, volt, amps > 0))
                    self.result.obeyed["sunspec"] = self.result.obeyed.get("sunspec", 0) + 1
                    await asyncio.sleep(READ_EVERY_S / self._speed)
            client.close()
            self._world.chargers[1].tell(self._world.now_s, Command(0.0, 0.0, False))
            await asyncio.sleep(0.1)

    async def _journal(self, gateway: asyncio.subprocess.Process) -> None:
        assert gateway.stderr is not None
        async for line in gateway.stderr:
            try:
                event = json.loads(line)
            except ValueError:
                event = {"event": "crash", "text": line.decode(errors="replace").rstrip()}
            self.result.events.append(event)

    # ---- What goes wrong.

    async def _break(self, second: int) -> None:
        """Now and then break something, and mend it again: each fault's odds a second."""
        for name, odds, lasts_s in (
            ("can", 1 / 400, 25), ("serial", 1 / 400, 25), ("garbled", 1 / 300, 60),
            ("broker", 1 / 900, 20), ("modbus", 1 / 900, 20),
        ):  # fmt: skip
            if name not in self._broken and self._random.random() < odds:
                self._broken.add(name)
                self.result.faults[name] = self.result.faults.get(name, 0) + 1
                await self._cut(name)
                asyncio.create_task(self._mend(name, lasts_s))  # noqa: RUF006  # ends before the day does, or with it

    async def _cut(self, name: str) -> None:
        if name in self._wires:
            self._wires[name].cut = True
        elif name == "garbled":
            for wire in self._wires.values():
                wire.garbled = 0.1
        elif name == "broker":
            self._mqtt.broker.stop()
        else:
            await self._modbus.stop()

    async def _mend(self, name: str, lasts_s: float) -> None:
        await asyncio.sleep(lasts_s / self._speed)
        if name in self._wires:
            self._wires[name].cut = False
        elif name == "garbled":
            for wire in self._wires.values():
                wire.garbled = 0.0
        elif name == "broker":
            self._mqtt.broker.start()
        else:
            self._modbus.start()
        self._broken.discard(name)

    # ---- What came of it.

    def _watch(self) -> None:
        world = self._world
        if world.total_a > 0:
            self.result.charged_kwh += world.total_a * world.bus.volt / 3.6e6
        for pack, board in zip(world.packs, world.boards, strict=True):
            peak = self.result.peaks[board.model.pack]
            percent = 100 * max(0.0, pack.current_a) / max(board.charge_limit_a, 5.0)
            if percent > peak.percent:
                peak.percent, peak.at_s = percent, world.now_s
                peak.while_broken = ", ".join(sorted(self._broken))
            peak.over_102_s += percent > 102
            self.result.trips += [
                f"{board.model.pack}: {guard} at minute {world.now_s / 60:.0f}"
                f" ({', '.join(sorted(self._broken)) or 'nothing'} broken), {pack.current_a:.1f} A,"
                f" cells {pack.low_v:.3f} to {pack.high_v:.3f} V"
                for at_s, guard in board.trips[-2:]
                if at_s > world.now_s - 1.0
            ]

    def _told(self) -> SiteDay:
        result, world = self.result, self._world
        result.lasted_s = world.now_s
        result.charge_at_end = {
            board.model.pack: pack.mean_charge()
            for pack, board in zip(world.packs, world.boards, strict=True)
        }
        result.stages = [
            str(event["stage"]) for event in result.events if event["event"] == "stage"
        ]
        return result


async def _chain(client: object) -> list[int]:
    """Return the registers of a SunSpec chain: as many as it says there are."""
    words: list[int] = []
    while len(words) < CHAIN_WORDS:
        answer = await client.read_holding_registers(40_000 + len(words), count=2)  # type: ignore[attr-defined]  # pymodbus
        words += answer.registers
        if len(words) == 2:
            continue
        if words[-2] == 0xFFFF:
            return words
        left = words[-1]
        while left:
            answer = await client.read_holding_registers(40_000 + len(words), count=min(left, 120))  # type: ignore[attr-defined]  # pymodbus
            words += answer.registers
            left -= len(answer.registers)
    return words


def site_day(folder: Path, seed: int, minutes: float, speed: float, faults: bool) -> SiteDay:
    """Run a day and return what came of it."""
    return asyncio.run(Day(folder, site(seed, minutes), speed, faults).run())
