"""Pull the plug: fall silent on purpose, and measure how long the chargers take to stop.

A charger that loses its battery's word should stop, or go back to safe settings of its own; how soon
it does so is its own business and rarely in its manual. The test waits until the bank is being
charged, says nothing more to any charger, and times the current. It speaks again at once if a
pack goes above its own limit or a cell above the ceiling: that is the reason to have looked.
"""

from attrs import define

from adapters.links import Record
from aggregator import PackReport, SystemView
from aggregator.errors import Refusal
from aggregator.ticks import since

LEAST_CHARGE_MA = 5_000  # with less there is nothing to see
STEADY_MS = 20_000  # so long charging before the plug is pulled
STOPPED_PART = 20  # a twentieth of the current at first counts as stopped
STOPPED_MA = 1_000  # or this, whichever is more: what is left is noise
STAYS_MS = 5_000  # so long below, to be believed

WAITING, SILENT, STOPPED, WENT_ON, CALLED_OFF, NO_CHARGE = (
    "waiting", "silent", "stopped", "went on", "called off", "no charge",
)  # fmt: skip


@define
class PlugTest:
    """The test's course; attach `heard` and `stepped`. `quiet` is what the gateway is to obey."""

    most_silent_ms: int = 300_000
    most_waiting_ms: int = 600_000
    cell_ceiling_mv: int = 3_550
    state: str = WAITING
    why: str = ""
    started_ma: int = 0
    took_ms: int | None = None  # from the last word to the current's end
    _since_ms: int | None = None
    _charging_ms: int | None = None
    _below_ms: int | None = None

    @property
    def quiet(self) -> bool:
        """Is the gateway to be silent?"""
        return self.state == SILENT

    @property
    def done(self) -> bool:
        """Is there a result?"""
        return self.state not in (WAITING, SILENT)

    def heard(self, now_ms: int, record: Record, refusal: Refusal | None) -> None:
        """Call it off when a pack is in trouble."""
        if self.state != SILENT or not isinstance(record, PackReport) or refusal is not None:
            return
        current_ma, limit_ma = record.current_ma, record.charge_current_limit_ma
        if current_ma is not None and limit_ma is not None and current_ma > limit_ma:
            self._end(CALLED_OFF, f"{record.pack} went above its own limit")
        if record.cell_max_mv is not None and record.cell_max_mv > self.cell_ceiling_mv:
            self._end(CALLED_OFF, f"a cell of {record.pack} went above the ceiling")
        if record.protections:
            self._end(CALLED_OFF, f"the board of {record.pack} protects its pack")

    def stepped(self, now_ms: int, view: SystemView) -> None:
        """Go on with the test."""
        if self._since_ms is None:
            self._since_ms = now_ms
        if self.state == WAITING:
            self._wait(now_ms, view)
        elif self.state == SILENT:
            self._watch(now_ms, view)

    def _wait(self, now_ms: int, view: SystemView) -> None:
        assert self._since_ms is not None
        current_ma = view.current_ma or 0
        asked = view.may_speak and view.charge_allowed  # else our own "no" might be what ends it
        if current_ma < LEAST_CHARGE_MA or not asked:
            self._charging_ms = None
        elif self._charging_ms is None:
            self._charging_ms = now_ms
        elif since(now_ms, self._charging_ms) >= STEADY_MS:
            self.state, self._since_ms, self.started_ma = SILENT, now_ms, current_ma
            return
        if since(now_ms, self._since_ms) > self.most_waiting_ms:
            self._end(NO_CHARGE, "the bank was not being charged")

    def _watch(self, now_ms: int, view: SystemView) -> None:
        assert self._since_ms is not None
        small_ma = max(STOPPED_MA, self.started_ma // STOPPED_PART)
        if view.current_ma is None:
            self._end(CALLED_OFF, "the bank's current is not known any more")
        elif view.current_ma > small_ma:
            self._below_ms = None
        elif self._below_ms is None:
            self._below_ms = now_ms
        elif since(now_ms, self._below_ms) >= STAYS_MS:
            self.took_ms = since(self._below_ms, self._since_ms)
            self._end(STOPPED, "")
        if not self.done and since(now_ms, self._since_ms) > self.most_silent_ms:
            self._end(WENT_ON, "the charge went on")

    def _end(self, state: str, why: str) -> None:
        if not self.done:
            self.state, self.why = state, why
