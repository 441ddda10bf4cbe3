"""The other side: a charger that goes by the limits of a bank on a broker, while they hold.

For simulations and tests, and as the rule for any real one. Three things must be so, and each
guards against a broker that still holds what a gateway said before it died:

- the root device's $state is `ready`,
- `limits/hold-for` has been heard live, and not longer ago than it says,
- every limit is there and is a value of its kind.

Else there are no limits to go by, and a charger falls back to what is safe by itself.
"""

from collections.abc import Sequence
from typing import NamedTuple

from adapters.counts import Counts
from adapters.homie.asked import BANK_ASKS, PACK_ASKS, asking
from adapters.homie.convention import READY, BadValueError, parsed
from adapters.homie.devices import HOLDS, LIMITS, child_id
from adapters.homie.settings import HomieSettings
from adapters.links import Record
from aggregator import SystemView
from aggregator.ticks import since

Message = tuple[str, bytes, bool, int]  # topic, payload, retained, qos
LONGEST_HOLD_S = 3_600


class Limits(NamedTuple):
    """What a charger may go by, in volts and amperes as they were sent."""

    charge_voltage: float
    discharge_voltage: float
    charge_current: float
    discharge_current: float
    may_charge: bool
    may_discharge: bool


class HomieReader:
    """Follows one root device; a talker itself, which asks for what `ask` was told."""

    def __init__(self, settings: HomieSettings) -> None:
        self.counts = Counts()
        self._settings = settings
        self._state = b""
        self._rows = {self._topic(row.about.path): row.about for row in LIMITS}
        self._hold_topic = self._topic(HOLDS.path)
        self._values: dict[str, object] = {}
        self._hold_ms = 0
        self._held_ms: int | None = None  # when it was said; None: never, or run out
        self._asks: list[Message] = []

    def _topic(self, path: str, device: str | None = None) -> str:
        return f"{self._settings.domain}/5/{device or self._settings.device}/{path}"

    @property
    def subscriptions(self) -> Sequence[str]:
        """What a charger needs to hear."""
        return [self._topic("$state"), *self._rows, self._hold_topic]

    def opened(self, now_ms: int) -> None:
        """Believe nothing that was heard over an earlier connection."""
        self._state = b""
        self._values.clear()
        self._held_ms = None

    def received(self, item: Message, now_ms: int) -> Sequence[Record]:
        """Learn what was said; there is nothing to tell the bank."""
        topic, payload, retained, _ = item
        if topic == self._topic("$state"):
            self._state = payload
        elif topic == self._hold_topic and not retained:
            self._hold(payload, now_ms)
        elif topic in self._rows:
            self._values[topic] = None
            if payload:
                self._values[topic] = self._parsed(topic, payload)
        return ()

    def _parsed(self, topic: str, payload: bytes) -> object:
        try:
            return parsed(self._rows[topic], payload)
        except BadValueError as error:
            self.counts.refuse(f"{topic}: expected {error}")
            return None

    def _hold(self, payload: bytes, now_ms: int) -> None:
        self._held_ms = None
        try:
            hold_s = int(parsed(HOLDS, payload))
        except BadValueError as error:
            self.counts.refuse(f"{self._hold_topic}: expected {error}")
            return
        self._hold_ms = min(hold_s, LONGEST_HOLD_S) * 1_000
        self._held_ms = now_ms

    def limits(self, now_ms: int) -> Limits | None:
        """Return the limits that hold now, or None: go by nothing, do what is safe."""
        if self._held_ms is not None and not 0 <= since(now_ms, self._held_ms) < self._hold_ms:
            self._held_ms = None  # it must not look new again after a wrap
        values = [self._values.get(topic) for topic in self._rows]
        if self._state != READY.encode() or self._held_ms is None or None in values:
            return None
        found = Limits(*values)  # type: ignore[arg-type]  # each is of its property's type
        return found._replace(
            may_charge=found.may_charge and found.charge_current > 0,
            may_discharge=found.may_discharge and found.discharge_current > 0,
        )

    def ask(self, one: str, payload: str, pack: str | None = None) -> None:
        """Ask for less, by the id of a property that can be set, of the bank or a pack.

        Raises ValueError: there is no such property.
        """
        device = None if pack is None else child_id(self._settings.device, pack)
        for about in asking(BANK_ASKS if pack is None else PACK_ASKS):
            if about.id == one:
                topic = self._topic(about.path, device) + "/set"
                self._asks.append((topic, payload.encode(), False, self._settings.qos))
                return
        raise ValueError("the id of a property that can be set")

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Message]:
        """Return what was asked for since the last time."""
        asks, self._asks = self._asks, []
        return asks
