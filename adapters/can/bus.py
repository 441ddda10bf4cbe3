"""CAN frames over any interface of python-can (links.Transport).

python-can blocks, so a thread of its own reads and another one sends. Frames that nobody has
fetched yet wait in a ring of bounded size: when it is full the oldest is dropped and counted.
Nothing of python-can's own settings files or environment is used: the site's file says all.
"""

import asyncio
import contextlib
import difflib
import threading
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from attrs import field as attr
from attrs import frozen

from adapters.can.map_rows import between
from adapters.counts import Counts
from adapters.links import LinkError, reason

Frame = tuple[int, bytes]  # id, with bit 31 set if extended; data

EXTENDED = 1 << 31
MOST_WAITING = 2_000  # frames; at 250 kbit/s about a second
LOOK_S = 0.2  # how often the reader looks whether it should stop
SEND_S = 1.0  # for interfaces that can tell
OPEN_S = 10.0
# Interfaces that bring our own frames back, without a mark; they are told by what they say.
ECHOING = ("udp_multicast",)
MOST_ECHOES = 64


def _driver(_: object, __: object, interface: str) -> None:
    """Complain of a driver that python-can does not have. Without python-can nobody can tell."""
    try:
        from can import VALID_INTERFACES  # an extra: only where it is needed
    except ModuleNotFoundError:
        return
    if interface not in VALID_INTERFACES:
        near = difflib.get_close_matches(interface, VALID_INTERFACES, 1)
        which = f"perhaps {near[0]}" if near else "such as socketcan, slcan or socketcand"
        raise ValueError(f"a driver of python-can, {which}")


@frozen(kw_only=True)
class CanSettings:
    """One CAN bus."""

    # Which driver of python-can: socketcan, slcan, socketcand, virtual and others.
    interface: str = attr(default="socketcan", validator=_driver)
    channel: str = "can0"  # as the driver names it: can0, a serial port, any name
    # [bit/s]; left out: as the system has set it. Must be that of the bus: a wrong one disturbs it.
    bitrate: int | None = attr(default=None, validator=between(10_000, 1_000_000))
    # Whatever else the driver takes, by python-can's names: host, port, tty_baudrate, fd.
    options: dict[str, object] = attr(factory=dict)


class CanBus:
    """A bus (links.Transport). May be opened again after a loss."""

    def __init__(self, settings: CanSettings) -> None:
        self.counts = Counts()
        self._settings = settings
        self._line: _Line | None = None

    async def open(self) -> None:
        """Open the bus. Raises LinkError: what, and what may help."""
        opening = asyncio.get_running_loop().run_in_executor(None, open_bus, self._settings)
        try:
            async with asyncio.timeout(OPEN_S):
                bus = await asyncio.shield(opening)
        except (TimeoutError, asyncio.CancelledError):
            opening.add_done_callback(_shut_late)
            raise
        self._line = _Line(bus, self._settings.interface in ECHOING, self.counts)

    async def receive(self) -> Frame:
        """Wait for the next frame. Raises LinkError: the bus is lost."""
        return await self._opened().receive()

    async def send(self, item: Frame) -> None:
        """Send a frame. Raises LinkError: it could not be sent."""
        await self._opened().send(item)

    async def close(self) -> None:
        """Close whatever is open."""
        line, self._line = self._line, None
        if line is not None:
            await line.close()

    def _opened(self) -> "_Line":
        if self._line is None:
            raise LinkError("the bus is not open")
        return self._line


def open_bus(settings: CanSettings) -> Any:
    """Return python-can's bus. Raises LinkError."""
    try:
        import can  # an extra: only where it is needed
    except ModuleNotFoundError:
        raise LinkError("this needs the extra: pip install 'packyoke[can]'") from None
    options: dict[str, Any] = dict(settings.options)
    if settings.bitrate is not None:
        options["bitrate"] = settings.bitrate
    named = f"{settings.interface} {settings.channel}"
    try:
        return can.Bus(
            channel=settings.channel, interface=settings.interface, ignore_config=True, **options
        )
    except Exception as error:  # drivers raise what they like; each is a bus that did not open
        raise LinkError(f"cannot open {named}: {reason(error)}; is it there, and up?") from None


def _shut_late(opening: "asyncio.Future[Any]") -> None:
    """Shut a bus that came up after nobody waited for it any more."""
    if not opening.cancelled() and opening.exception() is None:
        with contextlib.suppress(Exception):
            opening.result().shutdown()


class _Line:
    """One opened bus: its threads, and the frames that wait."""

    def __init__(self, bus: Any, echoes: bool, counts: Counts) -> None:
        self._bus = bus
        self._counts = counts
        self._loop = asyncio.get_running_loop()
        self._waiting: deque[Frame] = deque()
        self._echoes: deque[Frame] | None = deque(maxlen=MOST_ECHOES) if echoes else None
        self._echoing = threading.Lock()
        self._some = asyncio.Event()
        self._told = False  # the loop has been told, and has not looked yet
        self._stop = threading.Event()
        self._lost: str | None = None
        self._sender = ThreadPoolExecutor(1, "can-send")
        self._reader = threading.Thread(target=self._read, name="can-read", daemon=True)
        self._reader.start()

    async def receive(self) -> Frame:
        while not self._waiting:
            if self._lost is not None:
                raise LinkError(self._lost)
            self._some.clear()
            self._told = False
            if not self._waiting and self._lost is None:
                await self._some.wait()
        return self._waiting.popleft()

    async def send(self, frame: Frame) -> None:
        if self._echoes is not None:
            with self._echoing:
                self._echoes.append(frame)
        await self._loop.run_in_executor(self._sender, self._send, frame)

    async def close(self) -> None:
        self._stop.set()
        self._sender.shutdown(wait=False, cancel_futures=True)
        await self._loop.run_in_executor(None, self._shut)

    def _shut(self) -> None:
        self._reader.join(2 * LOOK_S)
        with contextlib.suppress(Exception):  # it may be lost already
            self._bus.shutdown()

    def _send(self, frame: Frame) -> None:
        import can

        can_id, data = frame
        message = can.Message(
            arbitration_id=can_id & ~EXTENDED,
            is_extended_id=bool(can_id & EXTENDED),
            is_fd=len(data) > 8,
            data=data,
        )
        try:
            self._bus.send(message, SEND_S)
        except Exception as error:  # drivers raise what they like; each is a bus that did not send
            raise LinkError(f"cannot send: {reason(error)}") from None

    def _read(self) -> None:
        """The reading thread: until stopped, or the bus is lost."""
        while not self._stop.is_set():
            try:
                message = self._bus.recv(LOOK_S)
            except Exception as error:  # drivers raise what they like; each is a bus that is lost
                self._lost = f"lost: {reason(error)}"
                self._wake()
                return
            if message is not None:
                self._came(message)

    def _came(self, message: Any) -> None:
        if message.is_error_frame or message.is_remote_frame or not message.is_rx:
            return
        can_id = message.arbitration_id | (EXTENDED if message.is_extended_id else 0)
        frame = can_id, bytes(message.data)
        if self._is_echo(frame):
            return
        if len(self._waiting) >= MOST_WAITING:
            self._waiting.popleft()
            self._counts.drop("more frames than can be read")
        self._waiting.append(frame)
        self._wake()

    def _is_echo(self, frame: Frame) -> bool:
        """Is this a frame of our own that comes back? Each comes back once."""
        if self._echoes is None:
            return False
        with self._echoing:
            if frame not in self._echoes:
                return False
            self._echoes.remove(frame)
            return True

    def _wake(self) -> None:
        """Tell the loop that there is something, once until it has looked."""
        if not self._told:
            self._told = True
            with contextlib.suppress(RuntimeError):  # the loop has ended
                self._loop.call_soon_threadsafe(self._some.set)
