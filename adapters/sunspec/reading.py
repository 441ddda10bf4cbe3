"""The other side: an inverter or charger that reads a SunSpec battery and obeys it. Pure, for tests
and simulations; it knows nothing of how the words came.

It obeys what is least: a limit that is missing, a State that does not allow, a heartbeat that stands
still, all mean no current.
"""

from collections.abc import Sequence

from attrs import frozen

from adapters.sunspec.models import BATTERY, MARKER, MODELS
from adapters.sunspec.points import Value
from aggregator.ticks import since

CONNECTED, SOC_PROTECTION = 3, 5
STOP = 2
MILLI = 3
END = 0xFFFF
LONGEST = 1_000  # registers: more is no chain of a battery


class NotSunSpec(ValueError):  # noqa: N818  # it is what the words are
    """Words that are no chain of models; the text is one line."""


@frozen(kw_only=True)
class Orders:
    """What a device may do now, in the core's units. `why`: why nothing, if so."""

    charge_current_ma: int = 0
    discharge_current_ma: int = 0
    charge_voltage_mv: int | None = None
    discharge_voltage_mv: int | None = None
    why: str = ""


Models = dict[int, tuple[dict[str, Value], list[dict[str, Value]]]]


def chain(words: Sequence[int]) -> Models:
    """Return the models in words from the marker on, by number: raw values, and those of each
    repetition. Models we do not know are passed over. Raises NotSunSpec."""
    if tuple(words[:2]) != MARKER:
        raise NotSunSpec("no marker at the start")
    found: Models = {}
    at = 2
    while True:
        head = words[at : at + 2]
        if len(head) < 2:
            raise NotSunSpec(f"no end marker, and nothing after register {at}")
        number, length = head
        if number == END:
            return found
        end = at + 2 + length
        if end > len(words):
            raise NotSunSpec(f"model {number} at {at} is longer than the chain")
        if number in MODELS:
            found[number] = MODELS[number].values(words[at:end])
        at = end


def next_block(words: Sequence[int], most: int) -> tuple[int, int] | None:
    """Return which registers to read next, (from the marker on, count <= most), after `words`; None:
    the chain is whole, or it is none."""
    had, at = len(words), 2
    if had < at:
        return had, at - had
    if tuple(words[:2]) != MARKER or had > LONGEST:
        return None
    while at + 2 <= had:
        if words[at] == END:
            return None
        at += 2 + words[at + 1]
    return had, min(most, max(at, had) - had or 2)


def milli(values: dict[str, Value], name: str) -> int | None:
    """Return a point in thousandths of its unit, rounded down; None: not implemented."""
    raw = values.get(name)
    scale_of = {point.name: point.scale for point in BATTERY.points}.get(name)
    scale = values.get(scale_of or "")
    if not isinstance(raw, int) or not isinstance(scale, int) or not -10 <= scale <= 10:
        return None
    exponent = scale + MILLI
    return int(raw * 10**exponent) if exponent >= 0 else raw // 10**-exponent


class Reader:
    """A device that reads every now and then. `patience_ms`: how long the battery's heartbeat may
    stand still (three of its seconds, and some)."""

    def __init__(self, patience_ms: int = 5_000) -> None:
        self._patience_ms = patience_ms
        self._beat: Value = None
        self._moved_ms: int | None = None

    def orders(self, words: Sequence[int], now_ms: int) -> Orders:
        """Return what the device may do after reading these words."""
        try:
            models = chain(words)
        except NotSunSpec as error:
            return Orders(why=str(error))
        if BATTERY.number not in models:
            return Orders(why="no model 802")
        values = models[BATTERY.number][0]
        if self._stands_still(values.get("Hb"), now_ms):
            return Orders(why="the heartbeat stands still")
        if values.get("State") not in (CONNECTED, SOC_PROTECTION):
            return Orders(why=f"State is {values.get('State')}")
        if values.get("ReqInvState") == STOP:
            return Orders(why="ReqInvState is STOP")
        return Orders(
            charge_current_ma=milli(values, "AChaMax") or 0,
            discharge_current_ma=milli(values, "ADisChaMax") or 0,
            charge_voltage_mv=milli(values, "VMax"),
            discharge_voltage_mv=milli(values, "VMin"),
        )

    def _stands_still(self, beat: Value, now_ms: int) -> bool:
        if self._moved_ms is None or beat != self._beat:
            self._beat, self._moved_ms = beat, now_ms
        return beat is None or not 0 <= since(now_ms, self._moved_ms) <= self._patience_ms
