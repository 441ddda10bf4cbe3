"""Chargers' ears: what they are told on a bus, in the fields of the bank's view.

Each is a talker of a link that also has `fields`, those it can hear, and `told(now_ms)`: what it
would go by now. None: nothing has come yet. A field that is None: it is told nothing, and goes by
its own settings. Where silence means stop, what is told after it is 0 and "no".
"""

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import Any

from adapters.counts import Counts
from adapters.links import Record
from adapters.registers import HOLDING, Answer, Ask, Image, Written
from aggregator import SystemView
from aggregator.ticks import since

Plain = dict[str, Any]

CURRENTS = {
    "charge_current_limit_ma": "charge_allowed",
    "discharge_current_limit_ma": "discharge_allowed",
}
VOLTAGES = ("charge_voltage_limit_mv", "discharge_voltage_limit_mv")
FIELDS = (*CURRENTS, *CURRENTS.values(), *VOLTAGES)
LOST_MS = 5_000  # after so long without a word a charger stops, where nothing else says how long
# An RV-C charger's own settings: beyond any bank, so that it shows when it goes by them.
OWN_MV, OWN_MA = 200_000, 30_000_000
BLOCK = 120  # registers in one request
ASK_EVERY_MS, ANSWER_MS = 500, 3_000


class Ear:
    """What all have in common. `fields`: those that can be heard."""

    def __init__(self, fields: Sequence[str]) -> None:
        self.counts = Counts()
        self.fields = [name for name in FIELDS if name in fields]
        self._heard: Plain = {}
        self._heard_ms: int | None = None

    def opened(self, now_ms: int) -> None:
        """What was heard gets older."""

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Any]:
        """Return nothing: most only listen."""
        return ()

    def received(self, item: Any, now_ms: int) -> Sequence[Record]:
        """Take what comes, each in its own way; nothing of it is for a bank."""
        return ()

    def hear(self, fields: Mapping[str, Any], now_ms: int) -> None:
        """Keep what was told just now."""
        self._heard |= {name: fields[name] for name in self.fields if name in fields}
        self._heard_ms = now_ms

    def silent_ms(self, now_ms: int, from_ms: int) -> int:
        """Return how long nothing was told, at most since `from_ms`."""
        self.told(now_ms)
        return since(now_ms, from_ms if self._heard_ms is None else self._heard_ms)

    def told(self, now_ms: int) -> Plain | None:
        """Return what the charger goes by now."""
        if self._heard_ms is None:
            return None
        said = {name: self._heard.get(name) for name in self.fields}
        return said if 0 <= since(now_ms, self._heard_ms) < LOST_MS else said | self._nothing()

    def _nothing(self) -> Plain:
        """Return what holds after too long a silence: no current."""
        stopped = dict.fromkeys(CURRENTS, 0) | dict.fromkeys(CURRENTS.values(), False)
        return {name: stopped[name] for name in self.fields if name in stopped}


class Listens(Ear):
    """A charger that takes whatever comes: `read(item)` returns what it says; empty: nothing."""

    def __init__(
        self,
        fields: Sequence[str],
        read: Callable[[Any], Mapping[str, Any]],
        asks: Callable[[int], Sequence[Any]] = lambda _: (),
    ) -> None:
        super().__init__(fields)
        self._read, self._asks = read, asks

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Any]:
        """Return what it asks for, if it does."""
        return self._asks(now_ms)

    def received(self, item: Any, now_ms: int) -> Sequence[Record]:
        """Take what comes."""
        said = self._read(item)
        if said:
            self.hear(said, now_ms)
        return ()


class RvcEar(Ear):
    """A charger on RV-C. Silence stops nothing there: it goes by its own settings."""

    def __init__(self, charger: Any) -> None:
        super().__init__(("charge_current_limit_ma", "charge_voltage_limit_mv", "charge_allowed"))
        self._charger = charger

    def received(self, item: Any, now_ms: int) -> Sequence[Record]:
        """Take a frame."""
        self._charger.received(item, now_ms)
        return ()

    def told(self, now_ms: int) -> Plain | None:
        """Return what the charger will keep to. Goals may come only every 5 s (RV-C-2023), so that
        one lost frame looks like silence to a charger: a while longer is allowed for that."""
        charger = self._charger
        charger.decide(now_ms)
        if charger.obeys:
            mv, ma = charger.voltage_mv, charger.current_ma
            said = {
                "charge_current_limit_ma": None if ma >= OWN_MA else ma,
                "charge_allowed": ma > 0,
                "charge_voltage_limit_mv": None if mv >= OWN_MV else mv,
            }
            self.hear(said, now_ms)
        if self._heard_ms is None:
            return None
        lost = not 0 <= since(now_ms, self._heard_ms) < LOST_MS
        return dict.fromkeys(self.fields) if lost else dict(self._heard)


class HomieEar(Ear):
    """A charger that follows Homie devices."""

    def __init__(self, reader: Any) -> None:
        super().__init__(FIELDS)
        self._reader = reader
        self.subscriptions = reader.subscriptions

    def opened(self, now_ms: int) -> None:
        """Believe nothing that was heard before."""
        self._reader.opened(now_ms)

    def received(self, item: Any, now_ms: int) -> Sequence[Record]:
        """Take a message."""
        self._reader.received(item, now_ms)
        return ()

    def told(self, now_ms: int) -> Plain | None:
        """Return the limits, as long as they hold."""
        limits = self._reader.limits(now_ms)
        if limits is None:
            return None if self._heard_ms is None else self._heard | self._nothing()
        self.hear({
            "charge_current_limit_ma": milli(limits.charge_current),
            "discharge_current_limit_ma": milli(limits.discharge_current),
            "charge_voltage_limit_mv": milli(limits.charge_voltage),
            "discharge_voltage_limit_mv": milli(limits.discharge_voltage),
            "charge_allowed": limits.may_charge, "discharge_allowed": limits.may_discharge,
        }, now_ms)  # fmt: skip
        return dict(self._heard)


def milli(number: float) -> int:
    """Return a number as people wrote it in thousandths, to the nearest."""
    return round(Fraction(repr(number)) * 1_000)


class Polls(Ear):
    """A charger that reads registers, block by block. `blocks(words)`: which (function, address,
    count) to read next, by what has been read in this round; None: `read(words, now_ms)` it."""

    def __init__(
        self,
        fields: Sequence[str],
        device: int,
        blocks: Callable[[dict[tuple[int, int], int]], tuple[int, int, int] | None],
        read: Callable[[dict[tuple[int, int], int], int], Mapping[str, Any]],
    ) -> None:
        super().__init__(fields)
        self._device, self._blocks, self._read = device, blocks, read
        self._words: dict[tuple[int, int], int] = {}
        self._asked: Ask | None = None
        self._asked_ms = 0
        self._rests_ms: int | None = None  # since when; None: it does not

    def opened(self, now_ms: int) -> None:
        """Begin a round."""
        self._words, self._asked, self._rests_ms = {}, None, None

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Ask]:
        """Return the next question, one at a time."""
        if self._asked is not None and 0 <= since(now_ms, self._asked_ms) < ANSWER_MS:
            return ()
        if self._rests_ms is not None and 0 <= since(now_ms, self._rests_ms) < ASK_EVERY_MS:
            return ()
        self._rests_ms = None
        block = self._blocks(self._words)
        if block is None:
            return ()
        self._asked, self._asked_ms = Ask(self._device, *block), now_ms
        return (self._asked,)

    def received(self, item: Any, now_ms: int) -> Sequence[Record]:
        """Take an answer; at the end of a round, read it."""
        if not isinstance(item, Answer) or item.ask != self._asked:
            return ()
        ask, self._asked = item.ask, None
        if item.words is None:
            self.counts.refuse(item.trouble)
            self._words, self._rests_ms = {}, now_ms
            return ()
        self._words |= {(ask.function, at): word for at, word in enumerate(item.words, ask.address)}
        if self._blocks(self._words) is None:
            self.hear(self._read(self._words, now_ms), now_ms)
            self._words, self._rests_ms = {}, now_ms
        return ()


class IsWritten(Ear):
    """A charger whose registers the bridge writes; every one can be written."""

    def __init__(
        self,
        fields: Sequence[str],
        device: int,
        addresses: frozenset[int],
        read: Callable[[dict[tuple[int, int], int]], Mapping[str, Any]],
    ) -> None:
        super().__init__(fields)
        self._device, self._addresses, self._read = device, addresses, read
        self._words: dict[tuple[int, int], int] = {}
        self._shown_ms: int | None = None

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Image]:
        """Return the image every second, and after each write."""
        if self._shown_ms is not None and 0 <= since(now_ms, self._shown_ms) < 1_000:
            return ()
        self._shown_ms = now_ms
        table = {at: self._words.get((HOLDING, at), 0) for at in self._addresses}
        return (Image(self._device, {HOLDING: table}, self._addresses),)

    def received(self, item: Any, now_ms: int) -> Sequence[Record]:
        """Take what was written."""
        if isinstance(item, Written) and item.device == self._device:
            self._words |= {(HOLDING, at): word for at, word in item.words}
            self._shown_ms = None
            said = self._read(self._words)
            if said:
                self.hear(said, now_ms)
        return ()
