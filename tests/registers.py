"""Views to spell into registers, maps to spell them by, and a site to run links in. All invented."""

import asyncio
import os
import pty
import select
import threading
import tty
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from adapters.links import MessageLink, Record, ended
from adapters.modbus import ClientTransport, RegisterMap, load_map
from adapters.registers import Answer, Ask
from aggregator import PackRow, SystemView
from aggregator.report import ALARMS

NAMES = ["ash", "elm", "fir", "oak"]


def view_of(**fields: object) -> SystemView:
    """A view of a bank that is well, with some fields changed."""
    view = SystemView(list(NAMES))
    usual: dict[str, object] = {
        "voltage_mv": 53_120, "voltage_min_mv": 53_080, "voltage_max_mv": 53_155,
        "current_ma": -42_500, "power_w": -2_258, "soc_permille": 873, "soh_permille": 990,
        "capacity_mah": 874_000, "remaining_mah": 763_002, "cell_min_mv": 3_311,
        "cell_max_mv": 3_329, "cell_min_row": 1, "cell_max_row": 3, "cell_min_no": 4,
        "cell_max_no": 11, "temperature_min_decic": 184, "temperature_max_decic": 231,
        "partial": False, "charge_allowed": True, "discharge_allowed": True,
        "charge_voltage_limit_mv": 55_209, "discharge_voltage_limit_mv": 44_801,
        "charge_current_limit_ma": 150_099, "discharge_current_limit_ma": 200_001,
        "charge_current_rule": "headroom", "discharge_current_rule": "headroom",
    }  # fmt: skip
    for name, value in (usual | fields).items():
        setattr(view, name, value)
    view.rows = []
    for name in NAMES:
        row = PackRow(name)
        row.presence = "live"
        view.rows.append(row)
    return view


def or_none(values: st.SearchStrategy[int]) -> st.SearchStrategy[int | None]:
    return st.one_of(values, values, st.none())


currents = st.one_of(st.just(0), st.integers(1, 200), st.integers(1, 900_000))
bits = st.integers(0, (1 << len(ALARMS)) - 1)


@st.composite
def views(draw: st.DrawFn) -> SystemView:
    """Any view that a bank may show."""
    charge, discharge = draw(currents), draw(currents)
    return view_of(
        voltage_mv=draw(or_none(st.integers(0, 150_000))),
        current_ma=draw(or_none(st.integers(-4_000_000, 4_000_000))),
        power_w=draw(or_none(st.integers(-600_000, 600_000))),
        soc_permille=draw(or_none(st.integers(0, 1_000))),
        soh_permille=draw(or_none(st.integers(0, 1_000))),
        capacity_mah=draw(st.integers(0, 60_000_000)),
        cell_max_mv=draw(or_none(st.integers(0, 5_000))),
        temperature_min_decic=draw(or_none(st.integers(-500, 1_500))),
        warning_bits=draw(bits),
        protection_bits=draw(bits),
        charge_voltage_limit_mv=draw(st.integers(0, 120_000)),
        discharge_voltage_limit_mv=draw(st.integers(0, 120_000)),
        charge_current_limit_ma=charge,
        discharge_current_limit_ma=discharge,
        charge_allowed=charge > 0,
        discharge_allowed=discharge > 0,
    )


def map_in(folder: Path, text: str) -> RegisterMap:
    """The map in a text."""
    path = folder / "map.toml"
    path.write_text(text, encoding="utf-8")
    return load_map(path)


class Room:
    """What links see of a gateway: what came is kept, what is to be said is `view`."""

    def __init__(self, view: SystemView | None = None) -> None:
        self.view = view or view_of()
        self.came: list[Record] = []
        self.speaks = True

    def now_ms(self) -> int:
        return int(asyncio.get_running_loop().time() * 1_000) & 0x3FFF_FFFF

    def take(self, records: list[Record], by: str) -> None:
        self.came += records

    def may_speak(self) -> bool:
        return self.speaks

    def may_say_no(self) -> bool:
        return self.may_speak()

    async def turn(self, most_s: float) -> None:
        await asyncio.sleep(most_s)

    async def comes(self, count: int = 1, within_s: float = 10.0) -> None:
        """Wait until so many records have come."""
        await until(lambda: len(self.came) >= count, within_s)


async def until(holds: object, within_s: float = 10.0) -> None:
    """Wait until something holds."""
    async with asyncio.timeout(within_s):
        while not holds():  # type: ignore[operator]  # a function
            await asyncio.sleep(0.01)


@contextmanager
def line() -> Iterator[tuple[str, str]]:
    """Two ends of a serial line, as the names of ports."""
    ends = [pty.openpty(), pty.openpty()]
    (one, one_port), (two, two_port) = ends
    for end in ends:
        for file in end:
            tty.setraw(file)

    cut = threading.Event()

    def carry() -> None:
        while not cut.is_set():
            for source in select.select([one, two], [], [], 0.02)[0]:
                os.write(two if source == one else one, os.read(source, 4096))

    carrier = threading.Thread(target=carry)
    carrier.start()
    try:
        yield os.ttyname(one_port), os.ttyname(two_port)
    finally:
        cut.set()
        carrier.join()
        for end in ends:
            for file in end:
                os.close(file)


async def told(client: ClientTransport, ask: Ask) -> Answer:
    """Ask, and return the answer."""
    await client.send(ask)
    answer = await client.receive()
    assert isinstance(answer, Answer)
    return answer


@asynccontextmanager
async def running(*links: tuple[Any, Sequence[Any], Room]) -> AsyncIterator[None]:
    """Run links: (transport, talkers, room)."""
    tasks = [
        asyncio.create_task(MessageLink("link", transport, talkers).run(room))
        for transport, talkers, room in links
    ]
    try:
        yield
    finally:
        await ended(tasks)
