"""The server's side of a bus (extra `modbus`): serves images over TCP or RTU, and passes on what is
written. Any talker that yields `registers.Image` can be served: an owner's map, or SunSpec.

An image is swapped as a whole, so that one read never mixes two moments; two reads may. It lives for
`image_ms`: if nothing renews it, reads get an exception rather than something old.

There is no password in this protocol: whoever reaches the port can read, and write what a talker
lets them write.
"""

import asyncio
import contextlib
from collections.abc import Callable
from typing import Any

from attrs import field, frozen
from attrs.validators import in_

from adapters.counts import Counts
from adapters.links import LinkError, reason
from adapters.modbus.client import pymodbus
from adapters.registers import HOLDING, Idle, Image, ServerItem, Written, within

MOST_WAITING = 64  # writes; one more gets "device busy"
MOST_CLIENTS = 16
MOST_UNREAD_BYTES = 65_536
IDLE_S = 1.0  # so often talkers learn that nothing was written
RENEWED_S = 0.3  # a write is answered once the image shows it, or after this
WRITES = (6, 16, 22, 23)
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, DEVICE_FAILURE, DEVICE_BUSY = 1, 2, 4, 6


@frozen(kw_only=True)
class TcpServerSettings:
    """Where to wait for clients. The default lets only this host in; another address lets in
    everybody who reaches it, so keep it to a network of your own."""

    # where to listen; 0.0.0.0: everywhere, to everybody who reaches it
    host: str = "127.0.0.1"
    port: int = field(default=502, validator=within(0, 65_535))  # under 1024 needs a privilege
    framing: str = field(
        default="tcp", validator=in_(("tcp", "rtu"))
    )  # "rtu": serial frames over TCP
    # what is older than this is not served any more [ms], 500..60000
    image_ms: int = field(default=5_000, validator=within(500, 60_000))

    def server(self, library: Any, devices: Any) -> Any:
        """Return the library's server."""
        framer = library.FramerType.RTU if self.framing == "rtu" else library.FramerType.SOCKET
        return library.server.ModbusTcpServer(
            devices, framer=framer, address=(self.host, self.port)
        )

    @property
    def place(self) -> str:
        """Where it listens, for people."""
        return f"{self.host}:{self.port}"


@frozen(kw_only=True)
class RtuServerSettings:
    """A serial line on which we are the only server. (Other servers on the same line are not
    reliably told apart from clients.)"""

    # /dev/ttyUSB0; a name under /dev/serial/by-id/ stays the same after a restart
    port: str
    # bit/s, 300..4000000
    baud: int = field(default=9_600, validator=within(300, 4_000_000))
    # N none, E even, O odd
    parity: str = field(default="N", validator=in_(("N", "E", "O")))
    # 1 or 2
    stop_bits: int = field(default=1, validator=in_((1, 2)))
    # what is older than this is not served any more [ms], 500..60000
    image_ms: int = field(default=5_000, validator=within(500, 60_000))

    def server(self, library: Any, devices: Any) -> Any:
        """Return the library's server. To other devices' requests it says nothing."""
        return library.server.ModbusSerialServer(
            devices, framer=library.FramerType.RTU, port=self.port, baudrate=self.baud,
            parity=self.parity, stopbits=self.stop_bits, ignore_missing_devices=True,
        )  # fmt: skip

    @property
    def place(self) -> str:
        """Which port it opens, for people."""
        return self.port


class ServerTransport:
    """Takes images, brings writes."""

    def __init__(self, settings: TcpServerSettings | RtuServerSettings) -> None:
        self.counts = Counts()
        self._settings = settings
        self._server: Any = None
        self._images = Images(settings.image_ms / 1_000)

    @property
    def is_open(self) -> bool:
        """Is somebody waited for?"""
        return self._server is not None and self._server.transport is not None

    @property
    def port(self) -> int:
        """The TCP port that was given, where 0 was asked for."""
        return int(self._server.transport.sockets[0].getsockname()[1])

    async def open(self) -> None:
        library = pymodbus()
        self._images = Images(
            self._settings.image_ms / 1_000,
            lambda code: library.constants.ExcCodes(code),
            library.exceptions.NoSuchIdException,
        )
        stand_in = library.simulator.SimData(0, datatype=library.simulator.DataType.REGISTERS)
        self._server = self._settings.server(library, library.simulator.SimDevice(0, [stand_in]))
        self._server.context = self._images
        try:
            await self._server.serve_forever(background=True)
        except Exception as error:  # RuntimeError of the library, pyserial's errors
            text = f"{self._settings.place}: {reason(error)}; is it there, free, and allowed to us?"
            raise LinkError(text) from None

    async def receive(self) -> ServerItem:
        self._turn_away()
        try:
            async with asyncio.timeout(IDLE_S):
                return await self._images.written.get()
        except TimeoutError:
            if self._lost():
                raise LinkError(f"{self._settings.place}: the port was lost") from None
            return Idle()

    def _turn_away(self) -> None:
        """Close what is too much: clients that came last, and those that ask and never read."""
        for number, client in enumerate(list(self._server.active_connections.values())):
            transport = client.transport
            waiting = transport.get_write_buffer_size() if transport else 0
            if number >= MOST_CLIENTS or waiting > MOST_UNREAD_BYTES:
                why = (
                    f"than {MOST_CLIENTS} clients" if number >= MOST_CLIENTS else "asked than read"
                )
                self.counts.refuse(f"more {why}: turned away")
                client.close()

    def _lost(self) -> bool:
        """Is the port gone? The library notices it for a serial port, and goes on."""
        transport = self._server.transport
        return transport is None or getattr(transport, "sync_serial", transport) is None

    async def send(self, item: ServerItem) -> None:
        assert isinstance(item, Image)
        self._images.show(item)

    async def close(self) -> None:
        server, self._server = self._server, None
        if server is not None:
            await server.shutdown()


class Images:
    """What the server below asks for registers. `code`: makes its exception codes; `missing`: what
    it wants raised for a device that is not there."""

    def __init__(
        self,
        lasts_s: float,
        code: Callable[[int], Any] = int,
        missing: type[Exception] = KeyError,
    ) -> None:
        self.written: asyncio.Queue[Written] = asyncio.Queue(MOST_WAITING)
        self._images: dict[int, tuple[Image, float]] = {}
        self._lasts_s = lasts_s
        self._code = code
        self._missing = missing
        self._renewed = asyncio.Event()

    def show(self, image: Image) -> None:
        """Serve this image from now on. Raises LinkError: somebody else shows the same device."""
        before = self._images.get(image.device)
        if before and not _alike(before[0], image):
            raise LinkError(f"device {image.device} is served twice: give each its own device")
        self._images[image.device] = (image, asyncio.get_running_loop().time())
        self._renewed.set()

    def device_ids(self) -> list[int]:
        """The devices that are served."""
        return list(self._images)

    def _image(self, device: int) -> Image | None:
        if device not in self._images:
            raise self._missing(f"no device {device}")
        image, shown_s = self._images[device]
        return image if asyncio.get_running_loop().time() - shown_s <= self._lasts_s else None

    async def async_getValues(  # noqa: N802  # the library's name
        self, device: int, function: int, address: int, count: int = 1
    ) -> Any:
        """Return the words, or an exception code."""
        image = self._image(device)
        if image is None or image.tables is None:
            return self._code(DEVICE_FAILURE)
        table = image.tables.get(HOLDING if function in WRITES else function)
        if table is None:
            return self._code(ILLEGAL_FUNCTION)
        try:
            return [table[at] for at in range(address, address + count)]
        except KeyError:
            return self._code(ILLEGAL_ADDRESS)

    async def async_setValues(  # noqa: N802  # the library's name
        self, device: int, function: int, address: int, values: Any
    ) -> Any:
        """Pass on what was written; return None, or an exception code: nothing was taken."""
        image = self._image(device)
        if image is None or image.tables is None:
            return self._code(DEVICE_FAILURE)
        if function not in WRITES:
            return self._code(ILLEGAL_FUNCTION)
        if not all(at in image.writable for at in range(address, address + len(values))):
            return self._code(ILLEGAL_ADDRESS)
        if self.written.full():
            return self._code(DEVICE_BUSY)
        self._renewed.clear()
        self.written.put_nowait(Written(device, tuple(enumerate(values, address))))
        with contextlib.suppress(TimeoutError):  # taken all the same; the image shows it later
            async with asyncio.timeout(RENEWED_S):
                await self._renewed.wait()
        return None


def _alike(one: Image, other: Image) -> bool:
    """Can two images be of one talker? Its registers do not come and go."""
    if one.tables is None or other.tables is None:
        return True
    return one.tables.keys() == other.tables.keys() and all(
        table.keys() == other.tables[function].keys() for function, table in one.tables.items()
    )
