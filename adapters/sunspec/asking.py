"""The other side on a bus: asks for a battery's chain of models, block by block, and obeys.

Talker of a client's link, for simulations and tests: it plays the inverter. One request at a time;
when the end of the chain has come, `orders` says what the device may do. A read that fails ends the
round: until the next one succeeds, the device does nothing.
"""

from collections.abc import Sequence

from attrs import field as attr
from attrs import frozen
from attrs.validators import in_

from adapters.counts import Counts
from adapters.links import Record
from adapters.registers import HOLDING, LARGEST_READ, Answer, Ask, ClientItem, within
from adapters.sunspec.models import BASES, END, MARKER
from adapters.sunspec.reading import Orders, Reader
from aggregator import SystemView
from aggregator.ticks import since

PATIENCE_MS = 5_000  # as long as a heartbeat may stand still
LOST_MS = 5_000  # an answer that has not come by then never will
HEAD = 2  # ID and L
MOST_WORDS = 4_096  # a chain of 64 packs takes 2300


@frozen(kw_only=True)
class AskSettings:
    """Which battery is read."""

    device: int = attr(default=1, validator=within(1, 247))
    base: int = attr(default=BASES[0], validator=in_(BASES))
    every_ms: int = attr(default=1_000, validator=within(100, 60_000))


class SunSpecClient:
    """Reads a battery again and again."""

    def __init__(self, settings: AskSettings) -> None:
        self.counts = Counts()
        self._orders = Orders(why="nothing was read yet")
        self._read_ms: int | None = None
        self._settings = settings
        self._reader = Reader()
        self._words: list[int] = []
        self._left = 0  # registers still to be read before the next ID and L are known
        self._started_ms: int | None = None
        self._pending: tuple[Ask, int] | None = None

    def orders(self, now_ms: int) -> Orders:
        """Return what the device may do: as of the last whole read, and nothing once that is old."""
        if self._read_ms is not None and not 0 <= since(now_ms, self._read_ms) <= PATIENCE_MS:
            return Orders(why="nothing was read for too long")
        return self._orders

    def opened(self, now_ms: int) -> None:
        """Start anew."""
        self._pending = None
        self._left = 0

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[ClientItem]:
        """Return the next read, if one is due and none is under way."""
        if self._pending is not None:
            if 0 <= since(now_ms, self._pending[1]) < LOST_MS:
                return ()
            self._ends(Orders(why="no answer was brought back"))
        if self._left == 0:
            gone_ms = None if self._started_ms is None else since(now_ms, self._started_ms)
            if gone_ms is not None and 0 <= gone_ms < self._settings.every_ms:
                return ()
            self._started_ms, self._words = now_ms, []
            self._left = len(MARKER) + HEAD
        count = min(self._left, LARGEST_READ)
        at = self._settings.base + len(self._words)
        ask = Ask(self._settings.device, HOLDING, at, count)
        self._pending = (ask, now_ms)
        return (ask,)

    def received(self, item: ClientItem, now_ms: int) -> Sequence[Record]:
        """Take a block; at the end of the chain, obey."""
        if self._pending is None or not isinstance(item, Answer) or item.ask != self._pending[0]:
            return ()
        if item.words is None or len(item.words) != item.ask.count:
            self._ends(Orders(why=item.trouble or "an answer of another length"))
            return ()
        self._pending = None
        self.counts.received += 1
        self._words += item.words
        self._left -= len(item.words)
        if self._left == 0:
            number, length = self._words[-HEAD:]
            if number == END[0] or len(self._words) + length > MOST_WORDS:
                self._orders = self._reader.orders(self._words, now_ms)
                self._read_ms = now_ms
            else:
                self._left = length + HEAD
        return ()

    def _ends(self, orders: Orders) -> None:
        """Give up a round: a device that cannot read its battery does nothing."""
        self.counts.refuse(orders.why)
        self._orders = orders
        self._pending, self._left = None, 0
