"""A small HTTP/1.1 server of one page, GET /metrics: bounded in every direction.

There is no password and no encryption: keep it to this host (the default) or to a network of your
own. One request to a connection, then it is closed.
"""

import asyncio
import random
from collections.abc import Sequence
from typing import Any

from attrs import field, frozen

from adapters.counts import Counts
from adapters.links import Backoff, Link, Site, Talker, not_listening
from adapters.openmetrics.families import families
from adapters.openmetrics.text import CONTENT_TYPE, exposition
from adapters.readings import Readings

LARGEST_HEAD = 8_192  # bytes of a request
MOST_AT_ONCE = 16  # connections
ANSWER_S = 5.0  # for the whole of a connection
PATH = "/metrics"
WORDS = {
    200: "OK",
    400: "Bad Request",
    404: "Not Found",
    405: "Method Not Allowed",
    408: "Request Timeout",
    431: "Request Header Fields Too Large",
    503: "Service Unavailable",
}

Answer = tuple[int, bytes]


def _port(_: object, __: object, value: int) -> None:
    if not 0 < value < 65_536:
        raise ValueError("1..65535")


@frozen(kw_only=True)
class MetricsSettings:
    """Where the page is served."""

    # 1..65535, where the page is served
    port: int = field(validator=_port)
    host: str = "127.0.0.1"  # this host only; 0.0.0.0: everybody who can reach it


class MetricsLink:
    """Serves the bank's metrics until cancelled, and the counters of the gateway's links."""

    def __init__(
        self, name: str, settings: MetricsSettings, readings: Readings | None = None
    ) -> None:
        self.name = name
        self.counts = Counts()
        self.talkers: Sequence[Talker[Any]] = ()
        self._settings = settings
        self._readings = readings or Readings()
        self._open = 0

    async def run(self, site: Site) -> None:
        """Run until cancelled; a port that is taken is tried again."""
        backoff = Backoff(random.Random())
        while True:
            try:
                await self._serve(site)
            except OSError as error:
                where = f"{self._settings.host}:{self._settings.port}"
                self.counts.trouble = not_listening(where, error)
            await asyncio.sleep(backoff.wait_s())

    async def _serve(self, site: Site) -> None:
        async def welcome(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await self._connection(site, reader, writer)

        host, port = self._settings.host, self._settings.port
        server = await asyncio.start_server(welcome, host, port, limit=LARGEST_HEAD)
        self.counts.opened += 1
        async with server:
            await server.serve_forever()

    async def _connection(
        self, site: Site, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        self._open += 1
        try:
            async with asyncio.timeout(ANSWER_S):
                status, body = await self._answer(site, reader)
                writer.write(response(status, body))
                writer.write_eof()
                while await reader.read(LARGEST_HEAD):
                    pass  # closing on unread bytes would take the answer back
                writer.close()
                await writer.wait_closed()
        except (OSError, TimeoutError):
            writer.transport.abort()  # whoever does not read does not hold us up
        finally:
            self._open -= 1

    async def _answer(self, site: Site, reader: asyncio.StreamReader) -> Answer:
        self.counts.received += 1
        if self._open > MOST_AT_ONCE:
            return self._refused(503)
        try:
            async with asyncio.timeout(ANSWER_S / 2):
                head = await reader.readuntil(b"\r\n\r\n")
        except asyncio.LimitOverrunError:
            return self._refused(431)
        except asyncio.IncompleteReadError:
            return self._refused(400)
        except TimeoutError:
            return self._refused(408)
        status = status_of(head)
        if status != 200:
            return self._refused(status)
        self.counts.sent += 1
        links: Sequence[Link] = getattr(site, "links", ())  # a site may have none to show
        return 200, exposition(families(site.view, self._readings, links))

    def _refused(self, status: int) -> Answer:
        self.counts.refuse(f"a request: {status} {WORDS[status]}")
        return status, f"{status} {WORDS[status]}; there is only GET {PATH}\n".encode()


def status_of(head: bytes) -> int:
    """Return the status that a request's head deserves."""
    parts = head.split(b"\r\n", 1)[0].split(b" ")
    if len(parts) != 3 or not parts[2].startswith(b"HTTP/1."):
        return 400
    if parts[0] != b"GET":
        return 405
    return 200 if parts[1].split(b"?")[0] == PATH.encode() else 404


def response(status: int, body: bytes) -> bytes:
    """Return a whole response."""
    kind = CONTENT_TYPE if status == 200 else "text/plain; charset=utf-8"
    allow = "Allow: GET\r\n" if status == 405 else ""
    head = (
        f"HTTP/1.1 {status} {WORDS[status]}\r\nContent-Type: {kind}\r\n"
        f"Content-Length: {len(body)}\r\n{allow}Connection: close\r\n\r\n"
    )
    return head.encode() + body
