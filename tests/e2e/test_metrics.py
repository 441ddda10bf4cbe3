"""The metrics page over HTTP: fetched, refused, flooded, held up."""

import asyncio
import urllib.request
from collections.abc import Awaitable, Callable
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from adapters.openmetrics.server import MOST_AT_ONCE, MetricsLink, MetricsSettings
from tests.bank import Site
from tests.broker import free_port


class Desk:
    """A stand-in for the gateway with a bank at rest."""

    def __init__(self, *links: MetricsLink) -> None:
        self.view = Site("oak", "fir").is_ready().view
        self.links = links

    def now_ms(self) -> int:
        return 0

    def take(self, records: Any, by: str) -> None: ...

    def may_speak(self) -> bool:
        return False

    def may_say_no(self) -> bool:
        return self.may_speak()

    async def turn(self, most_s: float) -> None: ...


def served(told: Callable[[MetricsLink, int], Awaitable[None]]) -> MetricsLink:
    """Serve the page while `told` runs."""

    async def both() -> MetricsLink:
        port = free_port()
        link = MetricsLink("page", MetricsSettings(port=port))
        task = asyncio.create_task(link.run(Desk(link)))
        while not link.counts.opened:
            await asyncio.sleep(0.01)
        try:
            await told(link, port)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
        return link

    return asyncio.run(both())


async def ask(port: int, request: bytes) -> bytes:
    """Send a request; return all of the answer."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(request)
    found = await reader.read()
    writer.close()
    await writer.wait_closed()
    return found


def test_the_page_is_fetched_and_parsed() -> None:
    """With an HTTP client and a parser of others; the link's own counters are on it."""

    def fetch(port: int) -> tuple[str, str]:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5) as answer:
            return answer.headers["Content-Type"], answer.read().decode()

    async def told(link: MetricsLink, port: int) -> None:
        kind, page = await asyncio.to_thread(fetch, port)
        assert kind == "application/openmetrics-text; version=1.0.0; charset=utf-8"
        found = {
            (one.name, *one.labels.values()): one.value
            for family in text_string_to_metric_families(page)
            for one in family.samples
        }
        assert found[("packyoke_voltage_volts",)] == 53.0
        assert found[("packyoke_link_items_total", "page", "received")] == 1
        assert found[("packyoke_link_opened_total", "page")] == 1

    assert served(told).counts.sent == 1


@pytest.mark.parametrize(
    ("request_text", "status"),
    [
        (b"GET /other HTTP/1.1\r\n\r\n", b"404 Not Found"),
        (b"POST /metrics HTTP/1.1\r\n\r\n", b"405 Method Not Allowed"),
        (b"\x16\x03\x01\r\n\r\n", b"400 Bad Request"),
        (b"GET /metrics HTTP/1.1\r\nX: " + b"y" * 20_000 + b"\r\n\r\n", b"431 Request Header"),
    ],
)
def test_other_requests_are_refused(request_text: bytes, status: bytes) -> None:
    """With a status, in bounds, and counted."""

    async def told(link: MetricsLink, port: int) -> None:
        answer = await ask(port, request_text)
        assert answer.startswith(b"HTTP/1.1 " + status)
        assert answer.endswith(b"; there is only GET /metrics\n")

    assert served(told).counts.refused == 1


def test_slow_clients_are_turned_away(monkeypatch: pytest.MonkeyPatch) -> None:
    """So many at once, each for so long; the others are still served."""
    monkeypatch.setattr("adapters.openmetrics.server.ANSWER_S", 0.6)

    async def told(link: MetricsLink, port: int) -> None:
        idle = [asyncio.create_task(ask(port, b"GET")) for _ in range(MOST_AT_ONCE)]
        await asyncio.sleep(0.1)
        whole = b"GET /metrics HTTP/1.1\r\n\r\n"
        assert (await ask(port, whole)).startswith(b"HTTP/1.1 503 ")
        for answer in await asyncio.gather(*idle):
            assert answer.startswith(b"HTTP/1.1 408 ")
        assert (await ask(port, whole)).startswith(b"HTTP/1.1 200 ")

    served(told)


def test_a_taken_port_is_told_and_tried_again() -> None:
    """The page comes once the port is free."""

    async def told() -> None:
        port = free_port()
        other = await asyncio.start_server(lambda *_: None, "127.0.0.1", port)
        link = MetricsLink("page", MetricsSettings(port=port))
        task = asyncio.create_task(link.run(Desk()))
        while link.counts.trouble is None:
            await asyncio.sleep(0.01)
        assert f"127.0.0.1:{port}: " in link.counts.trouble
        assert "is the port taken?" in link.counts.trouble
        other.close()
        await other.wait_closed()
        async with asyncio.timeout(10):
            while not link.counts.opened:
                await asyncio.sleep(0.01)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(told())


@pytest.mark.parametrize("port", [0, 65_536])
def test_settings_that_cannot_be_right(port: int) -> None:
    """A port is a port."""
    with pytest.raises(ValueError, match=r"1\.\.65535"):
        MetricsSettings(port=port)
