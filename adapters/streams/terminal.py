"""Bytes over standard input and output: another program's output piped in, ours piped on."""

import asyncio
import sys

from attrs import frozen

from adapters.links import LinkError

CHUNK_BYTES = 4096


@frozen(kw_only=True)
class StdioSettings:
    """No settings: there is one standard input."""


class StdioTransport:
    """Standard input ends once; after that the link stays silent."""

    def __init__(self, settings: StdioSettings) -> None:
        self._reader: asyncio.StreamReader | None = None

    async def open(self) -> None:
        if self._reader is None:
            loop = asyncio.get_running_loop()
            reader = asyncio.StreamReader()
            protocol = asyncio.StreamReaderProtocol(reader)
            try:
                await loop.connect_read_pipe(lambda: protocol, sys.stdin.buffer)
            except ValueError:
                raise LinkError("standard input is a file: pipe it in, with cat FILE |") from None
            self._reader = reader

    async def receive(self) -> bytes:
        assert self._reader is not None
        chunk = await self._reader.read(CHUNK_BYTES)
        if not chunk:
            raise LinkError("standard input has ended")
        return chunk

    async def send(self, item: bytes) -> None:
        sys.stdout.buffer.write(item)
        sys.stdout.buffer.flush()

    async def close(self) -> None:
        pass
