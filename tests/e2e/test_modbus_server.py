"""The Modbus server over real connections: what a client gets, what is refused, what is noticed."""

import asyncio
from pathlib import Path

import pytest

from adapters.links import LinkError, MessageLink, ended
from adapters.modbus import (
    BankServer,
    ClientTransport,
    RegisterMap,
    RtuServerSettings,
    RtuSettings,
    ServerTransport,
    ServeSettings,
    TcpServerSettings,
    TcpSettings,
)
from adapters.modbus.server import MOST_CLIENTS
from adapters.registers import Ask, Image, Written
from aggregator import Request
from tests.registers import Room, line, map_in, running, told, until
from tests.unit.test_modbus_bank import MAP as BANK_MAP
from tests.unit.test_modbus_packs import MAP as PACK_MAP


@pytest.fixture
def packs(tmp_path: Path) -> RegisterMap:
    return map_in(tmp_path, PACK_MAP)


@pytest.fixture
def bank(tmp_path: Path) -> RegisterMap:
    return map_in(tmp_path, BANK_MAP)


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
        transport = ServerTransport(TcpServerSettings(port=0, image_ms=2_000))
        await transport.open()
        await transport.send(Image(3, {3: {0: 1}}))
        client = client_of(transport)
        await client.open()
        before = await told(client, Ask(3, 3, 0, 1))
        await asyncio.sleep(2.2)
        after = await told(client, Ask(3, 3, 0, 1))
        await client.close()
        await transport.close()
        return [before.trouble, after.trouble]

    assert asyncio.run(run()) == ["", "device 3, function 3, 0: device failure"]


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


def test_too_many_clients_are_turned_away(bank: RegisterMap) -> None:
    """The first sixteen stay and are served, whatever comes after them."""

    async def run() -> tuple[int, str]:
        transport, room = ServerTransport(TcpServerSettings(port=0)), Room()
        async with running((transport, [BankServer(bank, ServeSettings(map="", device=3))], room)):
            await until(lambda: transport.is_open)
            client = client_of(transport)
            await client.open()
            opened = [await asyncio.open_connection("127.0.0.1", transport.port) for _ in range(19)]
            closed = 0
            for reader, _ in opened:
                try:
                    async with asyncio.timeout(0.2):
                        closed += await reader.read(1) == b""
                except TimeoutError:
                    pass  # still open
            answer = await told(client, Ask(3, 3, 10, 7))
            for _, writer in opened:
                writer.close()
            await client.close()
        return closed, answer.trouble

    assert asyncio.run(run()) == (4, "")


def test_a_device_that_is_served_twice_is_not_served() -> None:
    """Two images in turn under one address would flap: the link ends, and says why."""

    async def run() -> None:
        transport = ServerTransport(TcpServerSettings(port=0))
        await transport.open()
        await transport.send(Image(3, {3: {0: 1}}))
        await transport.send(Image(3, None))
        await transport.send(Image(3, {3: {0: 2}}))
        with pytest.raises(LinkError, match="device 3 is served twice"):
            await transport.send(Image(3, {3: {0: 2, 1: 0}}))
        await transport.close()

    asyncio.run(run())


@pytest.mark.parametrize("turns", range(4))
def test_a_stop_that_comes_with_a_write_is_heard(turns: int) -> None:
    """Whoever waits for writes is stopped at once, however the stop and a write meet."""

    async def run() -> bool:
        transport = ServerTransport(TcpServerSettings(port=0))
        await transport.open()
        waiting = asyncio.create_task(transport.receive())
        await asyncio.sleep(0.01)
        transport._images.written.put_nowait(Written(1, ((0, 1),)))
        for _ in range(turns):
            await asyncio.sleep(0)
        stopped = waiting.cancel()
        await asyncio.wait([waiting])
        await transport.close()
        return stopped == waiting.cancelled()

    assert asyncio.run(run())


def test_clients_that_are_too_many_are_turned_away_and_told(bank: RegisterMap) -> None:
    """Those that came last; the others are served on, and the link counts whom it refused."""

    async def run() -> tuple[int, str | None, int | None]:
        transport = ServerTransport(TcpServerSettings(port=0))
        link = MessageLink("out", transport, [BankServer(bank, ServeSettings(map="", device=3))])
        task = asyncio.create_task(link.run(Room()))
        await until(lambda: transport.is_open)
        clients = [client_of(transport) for _ in range(MOST_CLIENTS + 1)]
        for client in clients:
            await client.open()
        await until(lambda: link.counts.refused >= 1)
        answer = await told(clients[0], Ask(3, 3, 12, 1))
        for client in clients:
            await client.close()
        await ended([task])
        return link.counts.refused, link.counts.refusal, answer.words and len(answer.words)

    refused, why, words = asyncio.run(run())
    assert refused >= 1
    assert why == f"more than {MOST_CLIENTS} clients: turned away"
    assert words == 1
