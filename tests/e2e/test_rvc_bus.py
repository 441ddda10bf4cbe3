"""RV-C through the front door: a site, a bus, and a charger at its other end."""

import asyncio
import json
from collections.abc import Callable
from pathlib import Path

import can

from adapters.gateway.site_file import SitePlan, load_site
from adapters.rvc.charger import RvcCharger
from aggregator import Aggregator, PackReport

SITE = """
[[packs]]
pack = "oak"

[[links]]
name = "van"
kind = "can"
interface = "virtual"
channel = "rvc"
  [[links.says]]
  as = "rv-c"
  manufacturer_code = 0
  identity_number = 4711

[[links]]
name = "in"
kind = "stdio"
  [[links.hears]]
  as = "json-lines"
"""


class House:
    """A bank with one pack, that is told its time, faster than it passes (links.Site)."""

    def __init__(self, plan: SitePlan) -> None:
        self.ms = 0
        self.refuses = False
        self._bank = Aggregator(plan.settings)
        self._lines = plan.links[1].hears[0]
        self.view = self._bank.step(0)

    def now_ms(self) -> int:
        return self.ms

    def take(self, records: object, by: str) -> None:
        raise AssertionError("nobody commands")

    def may_speak(self) -> bool:
        return self._bank.may_speak(self.ms)

    def may_say_no(self) -> bool:
        return self.may_speak()

    async def turn(self, most_s: float) -> None:
        self.ms += 100
        if self.ms % 1_000 == 0:
            self._report()
        self.view = self._bank.step(self.ms)
        await asyncio.sleep(0.001)

    def _report(self) -> None:
        may = not self.refuses
        told = {
            "pack": "oak", "voltage_mv": 53_000, "current_ma": 50_000, "cell_min_mv": 3_300,
            "cell_max_mv": 3_320, "temperature_min_decic": 250, "temperature_max_decic": 250,
            "charge_allowed": may, "discharge_allowed": True, "charge_path_closed": may,
            "discharge_path_closed": True, "soc_permille": 500, "sample": self.ms // 1_000,
            "charge_voltage_limit_mv": 56_000, "discharge_voltage_limit_mv": 45_000,
            "charge_current_limit_ma": 100_000, "discharge_current_limit_ma": 100_000,
        }  # fmt: skip
        for record in self._lines.received(json.dumps(told).encode() + b"\n", self.ms):
            assert isinstance(record, PackReport)
            assert self._bank.accept(record, self.ms) is None


async def heard_until(
    bus: can.BusABC, house: House, charger: RvcCharger, done: Callable[[], bool], most_ms: int
) -> None:
    """Let a charger hear a bus until it is as it should be, or for so long."""
    end_ms = house.ms + most_ms
    while house.ms < end_ms and not done():
        while (frame := bus.recv(0)) is not None:
            number = frame.arbitration_id | (frame.is_extended_id << 31)
            charger.received((number, bytes(frame.data)), house.ms)
        charger.decide(house.ms)
        await asyncio.sleep(0.001)


def test_a_charger_on_the_bus_obeys_the_bank(tmp_path: Path) -> None:
    """A pack comes in over JSON lines, the bank speaks RV-C over a CAN bus of this process; a
    charger at the other end follows the goals, and stops when the pack refuses."""
    (tmp_path / "SITE.toml").write_text(SITE, encoding="utf-8")
    plan = load_site(tmp_path / "SITE.toml")

    async def play() -> tuple[int, int, int]:
        house, charger = House(plan), RvcCharger(1, 58_000, 200_000)
        other = can.Bus(interface="virtual", channel="rvc")
        task = asyncio.create_task(plan.links[0].link().run(house))
        try:
            follows = lambda: charger.obeys and charger.current_ma > 50_000  # noqa: E731  # short
            await heard_until(other, house, charger, follows, 200_000)
            before = charger.current_ma, charger.voltage_mv
            house.refuses = True
            stops = lambda: charger.obeys and charger.current_ma == 0  # noqa: E731  # short
            await heard_until(other, house, charger, stops, 20_000)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            other.shutdown()
        return (*before, charger.current_ma)

    current_ma, voltage_mv, refused_ma = asyncio.run(play())
    assert 50_000 < current_ma <= 100_000
    assert voltage_mv <= 56_000
    assert refused_ma == 0
