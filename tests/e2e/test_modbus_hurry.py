"""A changed limit on a line that is full of dead packs: it waits for one request at most."""

import asyncio
import time
from pathlib import Path
from typing import Any

import pytest

from adapters.checksums import ChecksumSettings, checksum
from adapters.links import MessageLink, ended
from adapters.modbus import (
    BankWriter,
    ClientTransport,
    PackPoller,
    PollSettings,
    RegisterMap,
    TcpSettings,
    WriteSettings,
)
from adapters.registers import WRITE_MANY
from tests.registers import Room, map_in, running, until, view_of
from tests.unit.test_modbus_bank import MAP as BANK_MAP
from tests.unit.test_modbus_packs import MAP as PACK_MAP

CRC = checksum(ChecksumSettings(kind="crc", name="CRC-16/MODBUS"))
INVERTER, DEAD = 100, 12
TIMEOUT_MS = 100
LIMIT = 13  # the register of the charge limit, in A, in BANK_MAP


class Line:
    """A converter to a serial line, played: one inverter that takes writes, and nobody else."""

    def __init__(self) -> None:
        self.wrote: list[tuple[float, dict[int, int]]] = []
        self.asked = 0
        self.deaf = False
        self.left = asyncio.Event()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Read requests (MODBUS over serial line, section 2.5.1) until the other side goes."""
        try:
            while True:
                head = await reader.readexactly(8)
                self.asked += 1
                if head[1] != WRITE_MANY:
                    continue
                rest = await reader.readexactly(head[6] + 1)
                start, words = int.from_bytes(head[2:4], "big"), (head + rest)[7:-2]
                numbers = [
                    int.from_bytes(words[at : at + 2], "big") for at in range(0, len(words), 2)
                ]
                if self.deaf:
                    continue
                self.wrote.append((time.monotonic(), dict(enumerate(numbers, start))))
                answer = head[:6]
                writer.write(answer + CRC(answer).to_bytes(2, "little"))
        except (asyncio.IncompleteReadError, ConnectionResetError):
            writer.close()
            self.left.set()

    def limits(self) -> list[tuple[float, int]]:
        """Return when which charge limit was written [s, A]."""
        return [(at_s, words[LIMIT]) for at_s, words in self.wrote if LIMIT in words]


def poller(packs: RegisterMap, device: int, deaf_ms: int) -> PackPoller:
    return PackPoller(
        packs, PollSettings(map="", pack=f"p{device}", device=device, deaf_ms=deaf_ms)
    )


@pytest.mark.parametrize("deaf", [False, True])
def test_a_limit_does_not_wait_for_dead_packs(tmp_path: Path, deaf: bool) -> None:
    """Each of twelve packs takes its time-out, and the rest after it; a fallen limit goes before all
    of them. An inverter that takes nothing gets no more than its turn, so that packs are heard."""

    async def run() -> list[float]:
        line, room = Line(), Room()
        line.deaf = deaf
        server = await asyncio.start_server(line.serve, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        asks = [poller(packs, at, 0) for at in range(1, DEAD + 1)]
        writes = BankWriter(bank, WriteSettings(map="", device=INVERTER))
        link = TcpSettings(host="127.0.0.1", port=port, framing="rtu", timeout_ms=TIMEOUT_MS)
        waits = []
        async with server, running((ClientTransport(link), [*asks, writes], room)):
            if deaf:
                await until(lambda: line.asked >= 3 * DEAD)
                shares = sum(talker.counts.refused for talker in asks) / line.asked
                waits.append(shares)
            else:
                await until(line.limits)
                for limit_a in (120, 90, 60, 30, 7):
                    await asyncio.sleep(0.37)
                    changed_s = time.monotonic()
                    room.view = view_of(charge_current_limit_ma=limit_a * 1_000)
                    await until(lambda: line.limits()[-1][1] == limit_a)  # noqa: B023  # awaited here
                    waits.append(line.limits()[-1][0] - changed_s)
        await line.left.wait()
        return waits

    (tmp_path / "packs").mkdir()
    packs = map_in(tmp_path / "packs", PACK_MAP)
    bank = map_in(tmp_path, BANK_MAP.replace("function = 4", "function = 3"))
    found = asyncio.run(run())
    if deaf:
        assert found[0] >= 0.8
    else:  # a request's time-out, the rest after it, and what a busy machine takes
        assert max(found) < 2 * TIMEOUT_MS / 1_000 + 0.25, found
        assert len(found) == 5


@pytest.mark.parametrize(
    ("silent_s", "trouble"),
    [(60.0, None), (0.4, "nobody has answered for 0 s; is it still there?")],
)
def test_silent_devices_do_not_cost_the_others_their_connection(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, silent_s: float, trouble: str | None
) -> None:
    """However many in a row are silent; only when nobody at all has answered for a while is the
    connection made anew, with a line that says why."""
    monkeypatch.setattr(TcpSettings, "silent_s", silent_s)

    async def run() -> MessageLink[Any]:
        line = Line()
        async with await asyncio.start_server(line.serve, "127.0.0.1", 0) as server:
            port = server.sockets[0].getsockname()[1]
            settings = TcpSettings(host="127.0.0.1", port=port, framing="rtu", timeout_ms=20)
            asks = [poller(packs, at, 0) for at in range(1, DEAD + 1)]
            link = MessageLink("line", ClientTransport(settings), asks)
            task = asyncio.create_task(link.run(Room()))
            await until(lambda: line.asked >= 3 * DEAD)
            await ended([task])
            await line.left.wait()
        return link

    packs = map_in(tmp_path, PACK_MAP)
    link = asyncio.run(run())
    assert (link.counts.opened == 1) == (trouble is None)
    assert (link.counts.trouble or "").partition(": ")[2] == (trouble or "")
