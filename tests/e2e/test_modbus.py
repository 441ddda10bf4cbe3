"""Modbus over real connections: loopback TCP, serial lines of ptys, and what goes wrong on them."""

import asyncio
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from adapters.counts import Counts
from adapters.links import LinkError, Record
from adapters.modbus import (
    BankWriter,
    ClientTransport,
    PackPoller,
    PackServer,
    PollSettings,
    RegisterMap,
    RtuServerSettings,
    RtuSettings,
    ServerTransport,
    TcpServerSettings,
    TcpSettings,
    WriteSettings,
    read_bank,
)
from adapters.registers import Image, ServerItem, Written
from aggregator import PackReport, SystemView
from tests.registers import Room, line, map_in, running, until, view_of
from tests.unit.test_modbus_bank import MAP as BANK_MAP
from tests.unit.test_modbus_packs import MAP as PACK_MAP
from tests.unit.test_modbus_packs import SAYS, report


@pytest.fixture
def packs(tmp_path: Path) -> RegisterMap:
    return map_in(tmp_path, PACK_MAP)


@pytest.fixture
def bank(tmp_path: Path) -> RegisterMap:
    return map_in(tmp_path, BANK_MAP)


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
    assert min(one.counts.received for one in asking[:2]) >= 3
    assert asking[2].counts.refused >= 1


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_packs_over_tcp(packs: RegisterMap, framing: str) -> None:
    """Several packs behind one address, in either framing, each reported as it is."""
    server = TcpServerSettings(port=0, framing=framing)
    asyncio.run(two_packs_and_none(packs, server, framing))


def test_packs_on_one_serial_line(packs: RegisterMap) -> None:
    """Several packs on one line take turns, and one that is missing takes none of them away."""
    with line() as (here, there):
        server, client = RtuServerSettings(port=here), RtuSettings(port=there, timeout_ms=400)
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


def test_an_inverter_is_written(tmp_path: Path) -> None:
    """Limits arrive as they are; they fall with the view; a stop on purpose takes them to 0."""

    bank = map_in(tmp_path, BANK_MAP.replace("function = 4", "function = 3"))

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
        told = await trouble(gone)
        assert (
            told == f"127.0.0.1:{port}: no connection: Connection refused; is it there, and free?"
        )
        for made in (ClientTransport(RtuSettings(port="/dev/none")),
                     ServerTransport(RtuServerSettings(port="/dev/none"))):  # fmt: skip
            assert "/dev/none" in await trouble(made)

    asyncio.run(run())
