"""What the client of a serial line sends byte by byte, and which bytes it takes for an answer."""

import asyncio
import os

import crcmod.predefined
import pytest

from adapters.modbus import ClientTransport, RtuSettings
from adapters.registers import Answer, Ask
from tests.registers import line, told

crc = crcmod.predefined.mkCrcFun("modbus")


class Wire:
    """The far end of a serial line, byte by byte."""

    def __init__(self, port: str) -> None:
        self.file = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    async def reads(self, count: int) -> bytes:
        data = b""
        async with asyncio.timeout(5):
            while len(data) < count:
                try:
                    data += os.read(self.file, 256)
                except BlockingIOError:
                    await asyncio.sleep(0.005)
        return data

    def writes(self, body: str, spoil: int = 0) -> None:
        data = bytes.fromhex(body)
        os.write(self.file, data + ((crc(data) ^ spoil) & 0xFFFF).to_bytes(2, "little"))


@pytest.mark.source("MODBUS-RTU", "requests with their check sums on the wire")
@pytest.mark.parametrize(
    ("ask", "frame"),
    [
        (Ask(0x11, 3, 0x6B, 3), "11 03 00 6B 00 03 76 87"),
        (Ask(1, 3, 0, 1), "01 03 00 00 00 01 84 0A"),
    ],
)
def test_frames_on_the_wire(ask: Ask, frame: str) -> None:
    """The bytes of a request, check sum low byte first, are the worked examples'; an answer made
    with an independent check sum is taken."""

    async def run() -> Answer:
        with line() as (here, there):
            client, wire = ClientTransport(RtuSettings(port=here)), Wire(there)
            await client.open()
            asking = asyncio.create_task(told(client, ask))
            assert await wire.reads(8) == bytes.fromhex(frame)
            body = "".join(f"{number:04X}" for number in range(ask.count))
            wire.writes(f"{ask.device:02X} 03 {2 * ask.count:02X} {body}")
            answer = await asking
            await client.close()
            return answer

    assert asyncio.run(run()).words == tuple(range(ask.count))


@pytest.mark.parametrize(
    ("body", "spoil"),
    [("01 03 02 1234", 1), ("02 03 02 1234", 0), ("01 03 04 1234 5678", 0), ("01 04 02 1234", 0)],
    ids=["check sum", "device", "length", "function"],
)
def test_a_wrong_frame_is_no_answer(body: str, spoil: int) -> None:
    """A bad check sum, another device, another length, another function: nothing is handed over."""

    async def run() -> Answer:
        with line() as (here, there):
            client, wire = ClientTransport(RtuSettings(port=here, timeout_ms=200)), Wire(there)
            await client.open()
            asking = asyncio.create_task(told(client, Ask(1, 3, 0, 1)))
            await wire.reads(8)
            wire.writes(body, spoil)
            answer = await asking
            await client.close()
            return answer

    answer = asyncio.run(run())
    assert answer.words is None
    assert answer.trouble


def test_a_late_answer_is_not_taken_for_the_next() -> None:
    """RTU has no transaction numbers: what comes after its time is thrown away, and the next
    question waits for the line to be quiet."""

    async def run() -> tuple[int, ...] | None:
        with line() as (here, there):
            client, wire = ClientTransport(RtuSettings(port=here, timeout_ms=500)), Wire(there)
            await client.open()
            assert (await told(client, Ask(1, 3, 0, 1))).words is None
            await wire.reads(8)
            asking = asyncio.create_task(told(client, Ask(1, 3, 50, 1)))
            await asyncio.sleep(0.1)
            wire.writes("01 03 02 DEAD")  # to the first question
            assert await wire.reads(8) == bytes.fromhex("01 03 00 32 00 01 25 C5")
            wire.writes("01 03 02 0032")
            answer = await asking
            await client.close()
            return answer.words

    assert asyncio.run(run()) == (0x32,)
