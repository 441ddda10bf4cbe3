"""CAN frames through python-can: both kinds of id, bounded reading, own frames, and losses."""

import asyncio
import sys
from collections.abc import Awaitable, Callable
from typing import Any

import can
import pytest

from adapters.can import bus as can_bus
from adapters.can.bus import EXTENDED, CanBus, CanSettings
from adapters.links import LinkError, MessageLink

LONG, SHORT = (0x19F21423 | EXTENDED, bytes(range(8))), (0x123, b"\x01\x02")


def settings(channel: str) -> CanSettings:
    """A bus inside this process."""
    return CanSettings(interface="virtual", channel=channel)


def with_other(channel: str, use: Callable[[CanBus, Any], Awaitable[None]]) -> None:
    """Run `use` with our bus and python-can's own at the other end."""

    async def run() -> None:
        ours = CanBus(settings(channel))
        await ours.open()
        other = can.Bus(interface="virtual", channel=channel)
        try:
            await asyncio.wait_for(use(ours, other), 10)
        finally:
            await ours.close()
            other.shutdown()

    asyncio.run(run())


def message(frame: tuple[int, bytes]) -> Any:
    """A frame in python-can's words."""
    can_id, data = frame
    return can.Message(
        arbitration_id=can_id & ~EXTENDED, is_extended_id=can_id >= EXTENDED, data=data
    )


def test_frames_go_both_ways() -> None:
    """What is sent arrives at another node as it was, with both kinds of id; and the other way."""

    async def use(ours: CanBus, other: Any) -> None:
        for frame in (LONG, SHORT):
            await ours.send(frame)
            came = await asyncio.to_thread(other.recv, 2)
            assert came.equals(message(frame), timestamp_delta=None, check_channel=False)
            other.send(message(frame))
            assert await ours.receive() == frame

    with_other("both-ways", use)


def test_own_frames_do_not_come_back() -> None:
    """What we send is not heard by ourselves."""

    async def use(ours: CanBus, other: Any) -> None:
        await ours.send(LONG)
        other.send(message(SHORT))
        assert await ours.receive() == SHORT

    with_other("own", use)


def test_echoes_are_taken_out_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a driver brings our frames back, each is taken out once, and never another's."""
    monkeypatch.setattr(can_bus, "ECHOING", ("virtual",))

    async def use(ours: CanBus, other: Any) -> None:
        await ours.send(LONG)
        for frame in (LONG, LONG, SHORT):  # the first one plays the echo
            other.send(message(frame))
        assert [await ours.receive(), await ours.receive()] == [LONG, SHORT]

    with_other("echo", use)


def test_a_flood_is_bounded_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """When nobody fetches frames, the oldest are dropped and counted; the newest are kept."""
    monkeypatch.setattr(can_bus, "MOST_WAITING", 10)

    async def use(ours: CanBus, other: Any) -> None:
        for number in range(50):
            other.send(message((number, b"")))
        while ours.counts.dropped < 40:
            await asyncio.sleep(0.01)
        assert [(await ours.receive())[0] for _ in range(10)] == list(range(40, 50))
        assert ours.counts.trouble == "more frames than can be read"

    with_other("flood", use)


def test_remote_and_error_frames_are_not_data() -> None:
    """A request for a frame, or an error, is not handed on as if it were data."""

    async def use(ours: CanBus, other: Any) -> None:
        other.send(can.Message(arbitration_id=1, is_remote_frame=True, dlc=8))
        other.send(can.Message(is_error_frame=True))
        other.send(message(SHORT))
        assert await ours.receive() == SHORT

    with_other("kinds", use)


def test_a_bus_that_breaks_raises_and_opens_again() -> None:
    """A lost bus ends `receive` and `send` with one line; `close` and `open` bring it back."""

    async def run() -> None:
        ours = CanBus(settings("breaks"))
        await ours.open()
        waiting = asyncio.create_task(ours.receive())
        await asyncio.sleep(0.05)
        assert ours._line is not None
        ours._line._bus.shutdown()  # as a driver does whose device was pulled out
        with pytest.raises(LinkError, match=r"^lost: .+"):
            await asyncio.wait_for(waiting, 5)
        with pytest.raises(LinkError, match=r"^cannot send: .+"):
            await ours.send(SHORT)
        await ours.close()
        with pytest.raises(LinkError, match="not open"):
            await ours.receive()
        await ours.open()
        await ours.send(SHORT)
        await ours.close()

    asyncio.run(run())


def test_a_link_tells_what_its_bus_dropped() -> None:
    """The counters of the transport are those of the link that people see."""
    link = MessageLink("barn", CanBus(settings("told")), [])
    assert isinstance(link._transport, CanBus)
    assert link._transport.counts is link.counts


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (
            {"interface": "slcan", "channel": "/dev/no-such-port"},
            "cannot open slcan .*no-such-port",
        ),
        ({"channel": "no-such-bus"}, "cannot open socketcan no-such-bus: "),
    ],
)
def test_a_bus_that_cannot_be_opened_says_why(given: dict[str, Any], expected: str) -> None:
    """One line, with the interface and the channel in it."""
    with pytest.raises(LinkError, match=expected) as told:
        asyncio.run(CanBus(CanSettings(**given)).open())
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    ("interface", "expected"),
    [
        ("soketcan", "a driver of python-can, perhaps socketcan"),
        ("x", "a driver of python-can, such as socketcan, slcan or socketcand"),
    ],
)
def test_a_driver_that_nobody_knows_is_no_setting(
    interface: str, expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is found by whoever reads the site's file; without python-can nobody can tell."""
    with pytest.raises(ValueError, match=f"^{expected}$"):
        CanSettings(interface=interface)
    monkeypatch.setitem(sys.modules, "can", None)
    assert CanSettings(interface=interface).interface == interface


def test_a_missing_extra_names_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without python-can, the line says how to get it."""
    monkeypatch.setitem(sys.modules, "can", None)
    with pytest.raises(LinkError, match=r"pip install 'packyoke\[can\]'"):
        asyncio.run(CanBus(settings("none")).open())
