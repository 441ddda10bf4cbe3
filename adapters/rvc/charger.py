"""The other side: a charger that does as it is told (profile 74D of RV-C-2023). Board-safe.

It follows, of all sources of its DC instance that say STATUS_1, 2 and 4, the one with the highest
priority; keeps to the more restrictive of its goals and its own settings; stops at a high-voltage or
high-temperature flag whatever the goals say; and when the source falls silent goes back to its own
settings. So silence stops nothing.
"""

from adapters.counts import Counts
from adapters.rvc.frames import STATUS_1, STATUS_2, STATUS_4, STATUS_6, YES, Frame, get_16
from adapters.rvc.rank import TAKE_OVER_MS, Followed, published
from adapters.rvc.scales import ma_of, mv_of
from adapters.rvc.statuses import (
    DO_NOT_CHARGE,
    HIGH_TEMPERATURE,
    HIGH_TEMPERATURE_OFF,
    HIGH_VOLTAGE,
    HIGH_VOLTAGE_OFF,
    UNDEFINED,
    get_6,
)
from aggregator.ticks import since

STOPS = (HIGH_VOLTAGE, HIGH_VOLTAGE_OFF, HIGH_TEMPERATURE, HIGH_TEMPERATURE_OFF)
LISTENED = (STATUS_1, STATUS_2, STATUS_4, STATUS_6)
GOALS, FLAGS = 2, 3


class RvcCharger:
    """Plays a charger. After `decide`: `voltage_mv` and `current_ma` that it will keep to, and
    whether it `obeys` a source. `own_mv`, `own_ma`: its own settings."""

    def __init__(self, instance: int, own_mv: int, own_ma: int) -> None:
        self.counts = Counts()
        self.voltage_mv = own_mv
        self.current_ma = own_ma
        self.obeys = False
        self._instance = instance
        self._own_mv = own_mv
        self._own_ma = own_ma
        self._followed = Followed()
        self._frame = Frame()
        self._data = [bytearray(8) for _ in LISTENED]
        self._heard_ms: list[int | None] = [None] * len(LISTENED)
        self._sources = [0] * len(LISTENED)

    def received(self, item: tuple[int, bytes], now_ms: int) -> None:
        """Take a frame."""
        frame = self._frame
        if not frame.take(item) or frame.dgn not in LISTENED or frame.data[0] != self._instance:
            return
        part = LISTENED.index(frame.dgn)
        if part == GOALS:
            if not self._followed.counts(published(frame.data[1]), frame.source, now_ms):
                return
        elif self._heard_ms[part] is not None and frame.source not in (
            self._sources[part],
            self._followed.source,
        ):
            return  # another one; the one followed goes on being heard
        self._sources[part] = frame.source
        self._heard_ms[part] = now_ms
        for at in range(8):
            self._data[part][at] = frame.data[at]

    def decide(self, now_ms: int) -> None:
        """Work out what to do now."""
        self.voltage_mv, self.current_ma = self._own_mv, self._own_ma
        self.obeys = not self._followed.silent(now_ms)
        for part in range(len(LISTENED)):
            self.obeys = self.obeys and (part == FLAGS or self._heard(part, now_ms))
        if not self.obeys:
            return
        goals = self._data[GOALS]
        if goals[2] == DO_NOT_CHARGE:
            self.current_ma = 0
        elif goals[2] != UNDEFINED:
            wanted_mv, wanted_ma = mv_of(get_16(goals, 3)), ma_of(get_16(goals, 5))
            if wanted_mv is not None:
                self.voltage_mv = min(wanted_mv, self._own_mv)
            if wanted_ma is not None:
                self.current_ma = min(max(0, wanted_ma), self._own_ma)
        if self._heard(FLAGS, now_ms):
            for place in STOPS:
                if get_6(self._data[FLAGS], place) == YES:
                    self.current_ma = 0

    def _heard(self, part: int, now_ms: int) -> bool:
        """Has the source that is followed said this lately?"""
        heard_ms = self._heard_ms[part]
        if heard_ms is not None and not 0 <= since(now_ms, heard_ms) < TAKE_OVER_MS:
            self._heard_ms[part] = heard_ms = None
        return heard_ms is not None and self._sources[part] == self._followed.source
