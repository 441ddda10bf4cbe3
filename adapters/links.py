"""How anything talks to the bank: a talker says what, a transport moves it, a link runs the two.

    talker      pure, both directions: items that came -> records of the core, a view -> items to send
    transport   the I/O of one bus: open, receive, send, close
    link        keeps a transport open, and talkers fed: `MessageLink`, for every bus

An item is whatever the bus moves: a frame (id, data), a line, a (topic, payload), a block of
registers. Nothing queues up here: an item is decoded the moment it comes, and what goes out is made
the moment it can be sent, so that a slow bus sends less, never something old, and never holds up a
step. A lost connection is made again after a back-off; the packs behind it go late, then unheard.
"""

import asyncio
import contextlib
import errno
import os
import random
import re
from collections.abc import Iterable, Sequence
from typing import Any, Generic, Protocol, TypeVar

from adapters.counts import Counts
from aggregator import BusReport, PackReport, Request, SystemView

Record = PackReport | BusReport | Request
Item = TypeVar("Item")
Last = TypeVar("Last", covariant=True)

TURN_S = 0.02  # how often a link looks whether something is due
SEND_S = 2.0  # a send that takes longer has failed
AGAIN_S = 3.0  # longer than last words take, so that they are not cut off
LEAVE_S = 0.5  # for each of the last words
MOST_PRESSING = 8  # items in a row that press; then the others have their turn
STALE_S = 0.5  # what is older than this when its turn comes is not sent
FIRST_WAIT_S, LONGEST_WAIT_S = 0.5, 30.0
SETTLED_S = 10.0  # a connection that held this long starts the back-off anew


class LinkError(Exception):
    """A bus cannot be opened, or was lost; the text is one line: what, and what may help."""


class Talker(Protocol[Item]):
    """What is said on a bus, without the bus. None of these may raise, whatever comes."""

    counts: Counts

    def opened(self, now_ms: int) -> None:
        """The bus has been opened (again): forget half messages, announce whatever needs it."""

    def received(self, item: Item, now_ms: int) -> Sequence[Record]:
        """Return what an item says: whole records only; often nothing yet."""

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Item]:
        """Return what is to be sent now. Without `may_speak`: nothing that a charger obeys."""


class Unceasing(Protocol):
    """What a talker may offer besides: that on its bus silence stops nobody."""

    silence_stops: bool  # False: it goes on saying "no" when no pack is heard any more


class Pressing(Protocol):
    """What a talker may offer besides, where one question at a time holds a bus up: to go first."""

    def presses(self, now_ms: int, view: SystemView, may_speak: bool) -> bool:
        """Is something due that must not wait until the others had their turn?"""


class Leaving(Protocol[Last]):
    """What a talker may offer besides: last words."""

    def closing(self, now_ms: int, may_speak: bool) -> Sequence[Last]:
        """Return what is to be sent before the gateway stops on purpose: "do not charge", or that
        we are leaving, where silence alone would be misread."""


class Transport(Protocol[Item]):
    """The I/O of one bus. All of these may raise LinkError or OSError."""

    async def open(self) -> None:
        """Open the bus; after `close` again."""

    async def receive(self) -> Item:
        """Wait for the next item."""

    async def send(self, item: Item) -> None:
        """Send an item."""

    async def close(self) -> None:
        """Close whatever is open; never raises."""


class Site(Protocol):
    """What the gateway offers a link."""

    view: SystemView  # as of the last step

    def now_ms(self) -> int:
        """The gateway's counter of milliseconds (wraps at 2^30)."""

    def take(self, records: Sequence[Record], by: str) -> None:
        """Hand records to the bank; the next step follows at once."""

    def may_speak(self) -> bool:
        """May a frame go to a charger now? Asked right before each."""

    def may_say_no(self) -> bool:
        """Likewise; and, once the last pack has fallen silent, for as long as nothing is allowed:
        for buses on which silence stops nobody (talkers with `silence_stops = False`)."""

    async def turn(self, most_s: float) -> None:
        """Wait for the next step, at most so long."""


class Link(Protocol):
    """Something the gateway runs until it stops."""

    name: str
    counts: Counts
    talkers: Sequence[Talker[Any]]

    async def run(self, site: Site) -> None:
        """Run until cancelled; trouble with the bus is counted, never raised."""


class Backoff:
    """Waits between attempts: doubled each time, up to LONGEST_WAIT_S, and jittered, so that
    several gateways do not come back in step (full jitter over the upper half; common practice)."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._next_s = FIRST_WAIT_S

    def wait_s(self) -> float:
        """Return how long to wait before the next attempt [s]."""
        wait_s = self._next_s * self._rng.uniform(0.5, 1.0)
        self._next_s = min(2 * self._next_s, LONGEST_WAIT_S)
        return wait_s

    def reset(self) -> None:
        """It worked: the next failure starts anew."""
        self._next_s = FIRST_WAIT_S


class MessageLink(Generic[Item]):
    """Keeps one transport open, hands what comes to every talker, and sends what they have due."""

    def __init__(
        self,
        name: str,
        transport: Transport[Item],
        talkers: Sequence[Talker[Item]],
        rng: random.Random | None = None,
    ) -> None:
        self.name = name
        self.counts = Counts()
        self.talkers = talkers
        if hasattr(transport, "counts"):  # what it drops, whom it turns away: told as the link's
            transport.counts = self.counts
        self._pressing = [talker for talker in talkers if hasattr(talker, "presses")]
        self._transport = transport
        self._backoff = Backoff(rng or random.Random())

    async def run(self, site: Site) -> None:
        """Run until cancelled."""
        while True:
            held_s = 0.0
            try:
                await self._transport.open()
                started_s = asyncio.get_running_loop().time()
                try:
                    await self._talk(site)
                finally:
                    held_s = asyncio.get_running_loop().time() - started_s
            except (LinkError, OSError, EOFError, TimeoutError) as error:
                self.counts.failed += 1
                self.counts.trouble = reason(error)
            finally:
                with contextlib.suppress(Exception):  # it is lost anyway
                    await self._transport.close()
            if held_s >= SETTLED_S:
                self._backoff.reset()
            await asyncio.sleep(self._backoff.wait_s())

    async def _talk(self, site: Site) -> None:
        """Hear and speak until one of the two fails; raises what failed."""
        self.counts.opened += 1
        now_ms = site.now_ms()
        for talker in self.talkers:
            talker.opened(now_ms)
        both = [asyncio.create_task(self._hear(site)), asyncio.create_task(self._speak(site))]
        try:
            done, _ = await asyncio.wait(both, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        except asyncio.CancelledError:
            await ended(both)
            await self._leave(site)
            raise
        finally:
            await ended(both)

    async def _leave(self, site: Site) -> None:
        """Say the last words, as far as the bus still takes them; a slow answer to one of them must
        not keep the others back."""
        for talker in self.talkers:
            closing = getattr(talker, "closing", None)
            for item in closing(site.now_ms(), site.may_speak()) if closing else ():
                try:
                    async with asyncio.timeout(LEAVE_S):
                        await self._transport.send(item)
                    self.counts.sent += 1
                except TimeoutError:
                    self.counts.drop("a last word was not taken in time")
                except (LinkError, OSError, EOFError):
                    return

    async def _hear(self, site: Site) -> None:
        while True:
            item = await self._transport.receive()
            self.counts.received += 1
            for talker in self.talkers:
                records = talker.received(item, site.now_ms())
                if records:
                    site.take(records, self.name)
            await asyncio.sleep(0)  # a flood must not hold up the step

    async def _speak(self, site: Site) -> None:
        while True:
            for talker in self.talkers:
                for first in self._pressing:
                    await self._hurry(first, site)
                await self._say(talker, site)
            await site.turn(TURN_S)

    async def _hurry(self, talker: Any, site: Site) -> None:
        """Let a talker go first while it presses."""
        for _ in range(MOST_PRESSING):
            if not talker.presses(site.now_ms(), site.view, site.may_speak()):
                return
            await self._say(talker, site)
            await asyncio.sleep(0)  # it hears what came of that before it goes on

    async def _say(self, talker: Talker[Item], site: Site) -> None:
        """Send what a talker has due now."""
        clock = asyncio.get_running_loop().time
        asked = site.may_speak if getattr(talker, "silence_stops", True) else site.may_say_no
        made_s, may_speak = clock(), asked()
        for item in talker.due(site.now_ms(), site.view, may_speak):
            if clock() - made_s > STALE_S:
                self.counts.drop("the bus is slow: what was due got old")
                continue
            if may_speak and not asked():
                self.counts.drop("what was due may not be said any more")
                continue
            async with asyncio.timeout(SEND_S):
                await self._transport.send(item)
            self.counts.sent += 1


async def ended(tasks: Iterable[asyncio.Task[Any]]) -> None:
    """Cancel tasks until they have ended: libraries below may swallow a cancellation that comes at
    the wrong moment (asyncio.wait_for does, up to Python 3.11)."""
    left = set(tasks)
    while left:
        for task in left:
            task.cancel()
        done, left = await asyncio.wait(left, timeout=AGAIN_S)
        for task in done:
            if not task.cancelled():
                task.exception()  # looked at, so that nobody complains that nobody did


def reason(error: BaseException) -> str:
    """Return why something failed, in one line."""
    if isinstance(error, TimeoutError) and not str(error):
        return "timed out"
    text = str(getattr(error, "strerror", None) or str(error) or type(error).__name__)
    system = re.search(r"\[Errno (-?\d+)\] ([^:]*)", text)
    if system:  # a library's words around the system's
        text = os.strerror(int(system[1])) if int(system[1]) > 0 else system[2]
    elif isinstance(error, OSError) and error.errno and text.startswith("Connect call failed"):
        text = os.strerror(error.errno)
    elif "attempting to bind" in text:  # asyncio's words around the system's; the address is known
        text = text.rpartition(": ")[2]
    return " ".join(text.split())


def not_listening(where: str, error: OSError) -> str:
    """Return why nobody can be waited for at an address, and what may help, in one line."""
    taken = error.errno == errno.EADDRINUSE
    hint = "is the port taken?" if taken else "is it this host's, and may this user listen there?"
    return f"{where}: {reason(error)}: {hint}"
