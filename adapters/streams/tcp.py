"""Byte streams over TCP: connecting to a peer, or waiting for one."""

import asyncio
import contextlib

from attrs import field, frozen

from adapters.links import LinkError, reason

CHUNK_BYTES = 4096
CONNECT_S = 5.0


def _port(_: object, __: object, value: int) -> None:
    if not 0 < value < 65_536:
        raise ValueError("1..65535")


@frozen(kw_only=True)
class TcpSettings:
    """Where to connect to: a bridge, a serial server, another program."""

    # a name or an address
    host: str
    # 1..65535
    port: int = field(validator=_port)


@frozen(kw_only=True)
class TcpListenSettings:
    """Where to wait for a peer. One at a time; there is no password, so keep it to this host
    (the default) or to a network of your own."""

    # 1..65535
    port: int = field(validator=_port)
    # where to listen; 0.0.0.0: everywhere, to everybody who reaches it
    host: str = "127.0.0.1"


class _Peer:
    """One connection, once it stands."""

    def __init__(self) -> None:
        self.reader: asyncio.StreamReader | None = None
        self.writer: asyncio.StreamWriter | None = None

    async def receive(self) -> bytes:
        assert self.reader is not None
        chunk = await self.reader.read(CHUNK_BYTES)
        if not chunk:
            raise LinkError("the other side has closed the connection")
        return chunk

    async def send(self, item: bytes) -> None:
        assert self.writer is not None
        self.writer.write(item)
        await self.writer.drain()

    async def close(self) -> None:
        writer, self.reader, self.writer = self.writer, None, None
        if writer is not None:
            writer.close()
            with contextlib.suppress(OSError, TimeoutError):
                await asyncio.wait_for(writer.wait_closed(), 1.0)


class TcpTransport(_Peer):
    """Connects; after a loss the link does it again."""

    def __init__(self, settings: TcpSettings) -> None:
        super().__init__()
        self._settings = settings

    async def open(self) -> None:
        host, port = self._settings.host, self._settings.port
        try:
            connecting = asyncio.open_connection(host, port)
            self.reader, self.writer = await asyncio.wait_for(connecting, CONNECT_S)
        except (OSError, TimeoutError) as error:
            raise LinkError(f"{host}:{port}: {reason(error)}: is the other side running?") from None


class TcpListenTransport(_Peer):
    """Waits for one peer at a time; a second one is turned away at once."""

    def __init__(self, settings: TcpListenSettings) -> None:
        super().__init__()
        self._settings = settings
        self._server: asyncio.Server | None = None
        self._arrived = asyncio.Event()

    async def open(self) -> None:
        host, port = self._settings.host, self._settings.port
        self._arrived.clear()
        if self._server is None:
            try:
                self._server = await asyncio.start_server(self._welcome, host, port)
            except OSError as error:
                raise LinkError(f"{host}:{port}: {reason(error)}: is the port taken?") from None
        await self._arrived.wait()

    def _welcome(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.writer is not None:
            writer.close()
            return
        self.reader, self.writer = reader, writer
        self._arrived.set()

    async def close(self) -> None:
        await super().close()
        if self._server is not None:
            self._server.close()
            self._server = None
