"""Bytes over two BLE characteristics: one notifies us, one is written to (extra `ble`).

Tried against a stand-in only, not yet against a radio.
"""

import asyncio
from typing import Any

from attrs import frozen

from adapters.links import LinkError, reason

MOST_WAITING = 256  # notifications; more means that we do not keep up: the oldest are dropped
CONNECT_S = 20.0


@frozen(kw_only=True)
class BleSettings:
    """A device, and the characteristics that carry the stream."""

    address: str  # of the device, as a scan shows it
    notify: str  # UUID of the characteristic that brings bytes
    write: str = ""  # UUID of the one that takes them; left out: `notify` does
    piece_bytes: int = 20  # what one write may carry; 20 fits every device


class BleTransport:
    """One connection to one device. `make_client`: a stand-in for bleak's client, in tests."""

    def __init__(self, settings: BleSettings, make_client: Any = None) -> None:
        self._settings = settings
        self._make_client = make_client
        self._client: Any = None
        self._came: asyncio.Queue[bytes | None] = asyncio.Queue(MOST_WAITING)
        self.dropped = 0

    async def open(self) -> None:
        make = self._make_client
        if make is None:
            from bleak import BleakClient as make  # noqa: N813  # a class to call
        self._came = asyncio.Queue(MOST_WAITING)
        self._client = make(self._settings.address, disconnected_callback=self._lost)
        try:
            async with asyncio.timeout(CONNECT_S):
                await self._client.connect()
            await self._client.start_notify(self._settings.notify, self._notified)
        except Exception as error:  # bleak's own errors have no common base with the system's
            raise LinkError(
                f"{self._settings.address}: {reason(error)}: is Bluetooth on here, and the device near?"
            ) from None

    def _notified(self, _: object, data: bytearray) -> None:
        self._put(bytes(data))

    def _lost(self, _: object) -> None:
        self._put(None)

    def _put(self, item: bytes | None) -> None:
        if self._came.full():
            self._came.get_nowait()
            self.dropped += 1
        self._came.put_nowait(item)

    async def receive(self) -> bytes:
        chunk = await self._came.get()
        if chunk is None:
            raise LinkError(f"{self._settings.address}: the device is out of reach")
        return chunk

    async def send(self, item: bytes) -> None:
        to = self._settings.write or self._settings.notify
        try:
            for at in range(0, len(item), self._settings.piece_bytes):
                await self._client.write_gatt_char(to, item[at : at + self._settings.piece_bytes])
        except Exception as error:  # as above
            raise LinkError(f"{self._settings.address}: {reason(error)}") from None

    async def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            await client.disconnect()
