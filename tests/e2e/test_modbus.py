"""Modbus over real connections: loopback TCP, serial lines of ptys, and what goes wrong on them."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from adapters.counts import Counts
from adapters.links import LinkError, MessageLink, Record
from adapters.modbus import (
    BankServer,
    BankWriter,
    ClientTransport,
    PackPoller,
    PackServer,
    PollSettings,
    RegisterMap,
    RtuServerSettings,
    RtuSettings,
    ServerTransport,
    ServeSettings,
    TcpServerSettings,
    TcpSettings,
    WriteSettings,
    read_bank,
)
from adapters.registers import Ask, Image, ServerItem, Written
from aggregator import PackReport, Request, SystemView
from tests.registers import Room, line, map_in, told, until, view_of
from tests.unit.test_modbus_bank import MAP as BANK_MAP
from tests.unit.test_modbus_packs import MAP as PACK_MAP
from tests.unit.test_modbus_packs import SAYS, report


@pytest.fixture
def packs(tmp_path: Path) -> RegisterMap:
    return map_in(tmp_path, PACK_MAP)


@pytest.fixture
def bank(tmp_path: Path) -> RegisterMap:
    return map_in(tmp_path, BANK_MAP)


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
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def poller(map_: RegisterMap, pack: str, device: int) -> PackPoller:
    return PackPoller(map_, PollSettings(map="", pack=pack, device=device))


def played(map_: RegisterMap, device: int, voltage_mv: int) -> PackServer:
    pack = PackServer(map_, device)
    pack.report = report(voltage_mv=voltage_mv)
    return pack


async def two_packs_and_none(packs: RegisterMap, server: Any, client: Any) -> None:
    """Two packs behind one connection or line answer, a third is not there."""
    room = Room()
    transport = ServerTransport(server)
    served = [played(packs, 3, 53_120), played(packs, 9, 52_880)]
    asking = [poller(packs, "oak", 3), poller(packs, "fir", 9), poller(packs, "elm", 5)]
    async with running((transport, served, Room())):
        await until(lambda: transport.is_open)
        if isinstance(server, TcpServerSettings):
            client = TcpSettings(host="127.0.0.1", port=transport.port, framing=client)
        async with running((ClientTransport(client), asking, room)):
            await until(lambda: {one.pack for one in room.came} == {"oak", "fir"})
            await room.comes(6)
    volts = {(one.pack, one.voltage_mv) for one in room.came if isinstance(one, PackReport)}
    assert volts == {("oak", 53_120), ("fir", 52_880)}
    last = next(one for one in reversed(room.came) if one.pack == "oak")
    assert getattr(last, "cells_mv", None) == SAYS["cells_mv"]
    assert [one.counts.refused for one in asking[:2]] == [0, 0]
    assert asking[2].counts.refused >= 1


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_packs_over_tcp(packs: RegisterMap, framing: str) -> None:
    """Several packs behind one address, in either framing, each reported as it is."""
    server = TcpServerSettings(port=0, framing=framing)
    asyncio.run(two_packs_and_none(packs, server, framing))


def test_packs_on_one_serial_line(packs: RegisterMap) -> None:
    """Several packs on one line take turns, and one that is missing takes none of them away."""
    with line() as (here, there):
        server, client = RtuServerSettings(port=here), RtuSettings(port=there, timeout_ms=150)
        asyncio.run(two_packs_and_none(packs, server, client))


class Inverter:
    """Talker of a server that has registers to be written, and keeps them."""

    def __init__(self, addresses: Sequence[int]) -> None:
        self.counts = Counts()
        self.holds = dict.fromkeys(addresses, 0xFFFF)

    def opened(self, now_ms: int) -> None:
        pass

    def received(self, item: ServerItem, now_ms: int) -> Sequence[Record]:
        if isinstance(item, Written):
            self.holds.update(item.words)
        return ()

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[ServerItem]:
        return (Image(7, {3: dict(self.holds)}, frozenset(self.holds)),)


def test_an_inverter_is_written(bank: RegisterMap) -> None:
    """Limits arrive as they are; they fall with the view; a stop on purpose takes them to 0."""

    async def run() -> list[object]:
        inverter = Inverter([*range(10, 17), *range(7)])
        transport, room, seen = ServerTransport(TcpServerSettings(port=0)), Room(), []

        def said() -> object:
            return read_bank(bank, {3: inverter.holds}).get("charge_current_limit_ma")

        async with running((transport, [inverter], Room())):
            await until(lambda: transport.is_open)
            client = ClientTransport(TcpSettings(host="127.0.0.1", port=transport.port))
            writer = BankWriter(bank, WriteSettings(map="", device=7))
            async with running((client, [writer], room)):
                await until(lambda: said() == 150_000)
                room.view = view_of(charge_current_limit_ma=20_500)
                await until(lambda: said() == 20_000)
                seen.append(said())
            await until(lambda: said() == 0)
            seen.append(read_bank(bank, {3: inverter.holds})["charge_allowed"])
            assert writer.counts.refused == 0
        return seen

    assert asyncio.run(run()) == [20_000, False]


def client_of(transport: ServerTransport) -> ClientTransport:
    return ClientTransport(TcpSettings(host="127.0.0.1", port=transport.port))


ANSWERS = [
    (Ask(3, 3, 10, 7), None, ""),
    (Ask(3, 3, 12, 1), 1, ""),
    (Ask(3, 3, 9, 2), 0, "illegal address"),
    (Ask(3, 2, 10, 1), 0, "illegal function"),
    (Ask(4, 3, 10, 1), 0, "gateway target does not answer"),
    (Ask(3, 16, 10, 1, (5,)), 0, "illegal address"),
    (Ask(3, 16, 102, 2, (1, 1)), 2, ""),
    (Ask(3, 6, 102, 1, (0,)), 1, ""),
]


def test_what_a_client_gets(bank: RegisterMap) -> None:
    """Parts of an image can be read; what is not there, or not writable, gets its exception; what
    is written becomes a request."""

    async def run() -> list[tuple[int | None, str]]:
        room, transport = Room(), ServerTransport(TcpServerSettings(port=0))
        async with running((transport, [BankServer(bank, ServeSettings(map="", device=3))], room)):
            await until(lambda: transport.is_open)
            client = client_of(transport)
            await client.open()
            await asyncio.sleep(0.1)
            found = [await told(client, ask) for ask, _, _ in ANSWERS]
            await client.close()
        kinds = [(one.kind, one.field) for one in room.came if isinstance(one, Request)]
        assert kinds == [
            ("stop_discharge", None),
            ("start_bulk", None),
            ("clear", "stop_discharge"),
        ]
        return [(len(one.words or ()), one.trouble) for one in found]

    for (ask, count, words), (length, trouble) in zip(ANSWERS, asyncio.run(run()), strict=True):
        assert length == (ask.count if count is None else count), ask
        assert trouble.endswith(words), ask


def test_an_image_that_is_not_renewed_is_not_served() -> None:
    """A hanging gateway must not repeat its last limits: after image_ms reads get an exception."""

    async def run() -> list[str]:
        transport = ServerTransport(TcpServerSettings(port=0, image_ms=500))
        await transport.open()
        await transport.send(Image(3, {3: {0: 1}}))
        client = client_of(transport)
        await client.open()
        before = await told(client, Ask(3, 3, 0, 1))
        await asyncio.sleep(0.6)
        after = await told(client, Ask(3, 3, 0, 1))
        await client.close()
        await transport.close()
        return [before.trouble, after.trouble]

    assert asyncio.run(run()) == ["", "device 3, function 3, 0: device failure"]


def test_a_lost_server_is_found_again(packs: RegisterMap) -> None:
    """When a server goes away and comes back, so do the reports."""

    async def run() -> None:
        room, first = Room(), ServerTransport(TcpServerSettings(port=0))
        asking = poller(packs, "oak", 3)
        await first.open()
        port = first.port
        await first.close()
        client = ClientTransport(TcpSettings(host="127.0.0.1", port=port))
        async with running((client, [asking], room)):
            for _ in range(2):
                room.came.clear()
                server = ServerTransport(TcpServerSettings(port=port))
                async with running((server, [played(packs, 3, 53_120)], Room())):
                    await room.comes(2, within_s=20)

    asyncio.run(run())


def test_ports_that_are_not_there() -> None:
    """A port that is missing, or taken, is one line that names it."""

    async def trouble(transport: Any) -> str:
        with pytest.raises(LinkError) as caught:
            await transport.open()
        await transport.close()
        return str(caught.value)

    async def run() -> None:
        busy = ServerTransport(TcpServerSettings(port=0))
        await busy.open()
        assert "127.0.0.1" in await trouble(ServerTransport(TcpServerSettings(port=busy.port)))
        port = busy.port
        await busy.close()
        gone = ClientTransport(TcpSettings(host="127.0.0.1", port=port))
        assert f"127.0.0.1:{port}" in await trouble(gone)
        for made in (ClientTransport(RtuSettings(port="/dev/none")),
                     ServerTransport(RtuServerSettings(port="/dev/none"))):  # fmt: skip
            assert "/dev/none" in await trouble(made)

    asyncio.run(run())


def test_bits_over_tcp(packs: RegisterMap) -> None:
    """Coils and discrete inputs come as so many zeros and ones as were asked for."""

    async def run() -> list[tuple[int, ...] | None]:
        transport = ServerTransport(TcpServerSettings(port=0))
        await transport.open()
        await transport.send(Image(3, {1: {0: 1, 1: 0, 2: 1}, 2: {7: 1}}))
        client = client_of(transport)
        await client.open()
        found = [(await told(client, ask)).words for ask in (Ask(3, 1, 0, 3), Ask(3, 2, 7, 1))]
        await client.close()
        await transport.close()
        return found

    assert asyncio.run(run()) == [(1, 0, 1), (1,)]


def test_a_serial_port_that_is_pulled_out_is_noticed() -> None:
    """The server's side and the client's side both tell that their port is gone."""

    async def run() -> None:
        with line() as (here, there):
            server = ServerTransport(RtuServerSettings(port=here))
            client = ClientTransport(RtuSettings(port=there, timeout_ms=100))
            await server.open()
            await client.open()
            waiting = asyncio.create_task(server.receive())
            await asyncio.sleep(0.1)
        with pytest.raises(LinkError, match="the port was lost"):
            await asyncio.wait_for(waiting, 5)
        with pytest.raises(LinkError, match="the connection was lost"):
            await client.send(Ask(1, 3, 0, 1))
        await client.close()
        await server.close()

    asyncio.run(run())
