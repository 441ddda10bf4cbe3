"""Bytes over a serial port (extra `serial`; POSIX)."""

import asyncio
import os
from typing import Any

from attrs import field, frozen
from attrs.validators import in_

from adapters.links import LinkError, reason

CHUNK_BYTES = 4096
MOST_EMPTY = 20  # readable and yet empty, so often in a row: it is gone. A few are false alarms.


def _baud(_: object, __: object, value: int) -> None:
    if not 50 <= value <= 4_000_000:
        raise ValueError("50..4000000 baud")


@frozen(kw_only=True)
class SerialSettings:
    """A serial port, or a pty."""

    port: str  # /dev/ttyUSB0; a name under /dev/serial/by-id/ stays the same after a restart
    # bit/s, 50..4000000; the device's papers say
    baud: int = field(default=115_200, validator=_baud)
    parity: str = field(default="N", validator=in_(("N", "E", "O")))  # none, even, odd
    # 1 or 2
    stop_bits: int = field(default=1, validator=in_((1, 2)))


class SerialTransport:
    """A port opened for us alone."""

    def __init__(self, settings: SerialSettings) -> None:
        self._settings = settings
        self._port: Any = None
        self._readable = asyncio.Event()

    async def open(self) -> None:
        import serial

        chosen = self._settings
        try:
            self._port = serial.Serial(
                chosen.port, chosen.baud, parity=chosen.parity, stopbits=chosen.stop_bits,
                timeout=0, write_timeout=0, exclusive=True,
            )  # fmt: skip
        except (OSError, ValueError) as error:
            remedy = "is it plugged in, and may this user open it?"
            raise LinkError(f"{chosen.port}: {reason(error)}; {remedy}") from None
        self._readable.clear()
        asyncio.get_running_loop().add_reader(self._port.fileno(), self._readable.set)

    async def receive(self) -> bytes:
        empty = 0
        while empty < MOST_EMPTY:
            await self._readable.wait()
            self._readable.clear()
            try:
                chunk = os.read(self._port.fileno(), CHUNK_BYTES)
            except BlockingIOError:
                continue
            except OSError as error:
                raise LinkError(f"{self._settings.port}: {reason(error)}") from None
            if chunk:
                return chunk
            empty += 1
        raise LinkError(f"{self._settings.port}: the port is gone")

    async def send(self, item: bytes) -> None:
        rest = memoryview(item)
        while rest:
            try:
                rest = rest[os.write(self._port.fileno(), rest) :]
            except BlockingIOError:
                await asyncio.sleep(0.005)  # its buffer is full; the link gives up after a while

    async def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            asyncio.get_running_loop().remove_reader(port.fileno())
            port.close()
