"""Byte streams over TCP: connecting to a peer, or waiting for one."""

import asyncio
import contextlib
import socket

from attrs import field, frozen

from adapters.counts import Counts
from adapters.links import LinkError, not_listening, reason

CHUNK_BYTES = 4096
CONNECT_S = 5.0
# A peer that lost its power says no goodbye: without these its place stays taken, or its silence
# unnoticed, for a quarter of an hour or for ever. Option, value (s, s, times, ms); where there is one.
WATCHED = (
    ("TCP_KEEPIDLE", 10),
    ("TCP_KEEPINTVL", 5),
    ("TCP_KEEPCNT", 3),
    ("TCP_USER_TIMEOUT", 25_000),
)


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


def _watched(writer: asyncio.StreamWriter) -> None:
    """Have the system ask a silent peer whether it is still there (RFC 9293, section 3.8.4)."""
    line = writer.get_extra_info("socket")
    line.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in WATCHED:
        if hasattr(socket, name):
            line.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)


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
                async with asyncio.timeout(1.0):
                    await writer.wait_closed()


class TcpTransport(_Peer):
    """Connects; after a loss the link does it again."""

    def __init__(self, settings: TcpSettings) -> None:
        super().__init__()
        self._settings = settings

    async def open(self) -> None:
        host, port = self._settings.host, self._settings.port
        try:
            async with asyncio.timeout(CONNECT_S):
                reader, writer = await asyncio.open_connection(host, port)
        except (OSError, TimeoutError) as error:
            raise LinkError(f"{host}:{port}: {reason(error)}: is the other side running?") from None
        self.reader, self.writer = reader, writer
        _watched(writer)


class TcpListenTransport(_Peer):
    """Waits for one peer at a time; a second one is turned away at once."""

    def __init__(self, settings: TcpListenSettings) -> None:
        super().__init__()
        self.counts = Counts()
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
                raise LinkError(not_listening(f"{host}:{port}", error)) from None
        await self._arrived.wait()

    def _welcome(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.writer is not None:
            host = (writer.get_extra_info("peername") or ("somebody",))[0]
            self.counts.refuse(f"a second peer, {host}: there is room for one; give each a link")
            writer.close()
            return
        self.reader, self.writer = reader, writer
        _watched(writer)
        self._arrived.set()

    async def close(self) -> None:
        await super().close()
        if self._server is not None:
            self._server.close()
            self._server = None
