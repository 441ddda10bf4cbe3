"""A battery that speaks NMEA 2000, heard: a pack's telemetry, or a meter on the common bus.

Such a pack tells no limits of its own, so the bank counts it as 0: good for a meter, and for
packs whose limits come another way.
"""

from collections.abc import Sequence
from typing import Any, Literal

from attrs import field as attr
from attrs import frozen

from adapters.assembly import Assembly
from adapters.counts import Counts
from adapters.links import Record
from adapters.meaning import BUS_RANGES, RANGES
from adapters.nmea2000.groups import BATTERY_STATUS, DC_DETAILED_STATUS, GROUPS
from adapters.nmea2000.packets import Frame, Joiner, parted
from adapters.nmea2000.says import within
from aggregator import BusReport, PackReport, SystemView
from aggregator.ticks import since

MOVED_MS = 10_000  # a sender silent for so long may have taken another address
SLOW_MS = 10_000  # the detailed status may come seldom, or never


@frozen(kw_only=True)
class HearsNmea2000:
    """Whose messages these are."""

    # the battery instance to hear, 0..252
    instance: int = attr(validator=within(0, 252))
    pack: str | None = None  # left out: a meter on the common bus
    # left out: whoever speaks for the instance first, until it has been silent for 10 s; a second one
    # is then refused, not mixed in
    source_address: int | None = None
    # Which way this sender counts a positive current; the standard's public part does not say.
    positive: Literal["charge", "discharge"] = "charge"


class Nmea2000Pack:
    """Battery messages -> reports (links.Talker)."""

    def __init__(self, settings: HearsNmea2000) -> None:
        self.counts = Counts()
        self._settings = settings
        self._joiner = Joiner()
        self._ranges = BUS_RANGES if settings.pack is None else RANGES
        self._assembly = self._empty()
        self._source: int | None = None
        self._heard_ms = 0

    def opened(self, now_ms: int) -> None:
        """Half messages are forgotten."""
        self._joiner = Joiner()

    def received(self, item: Frame, now_ms: int) -> Sequence[Record]:
        """Return the report that a message makes."""
        found = parted(item[0])
        if found is None or found[0] not in (BATTERY_STATUS.number, DC_DETAILED_STATUS.number):
            return ()
        number, source, _ = found
        if self._settings.source_address not in (None, source):
            return ()
        group = GROUPS[number]
        message = self._joiner.take(number, source, item[1]) if group.is_fast else item[1]
        if message is None:
            return ()
        values = group.values(message)
        if values is None:
            self.counts.refuse(f"group {number}: a message of {len(message)} bytes")
            return ()
        if values["instance"] != self._settings.instance:
            return ()
        if not self._is_ours(source, now_ms):
            self.counts.refuse("a second source of this instance: give source_address")
            return ()
        self.counts.received += 1
        name = "detail" if group is DC_DETAILED_STATUS else "status"
        report = self._assembly.put(name, self._fields(values), now_ms)
        return () if report is None else (self._record(report),)

    def _empty(self) -> Assembly:
        """Return an assembly that has heard nothing."""
        return Assembly(self._settings.pack or "meter", {"status": None, "detail": SLOW_MS})

    def _is_ours(self, source: int, now_ms: int) -> bool:
        if self._source is None or not 0 <= since(now_ms, self._heard_ms) < MOVED_MS:
            if source != self._source:
                self._assembly = self._empty()  # no part of another unit lives on
            self._source = source
        if source == self._source:
            self._heard_ms = now_ms
        return source == self._source

    def _fields(self, values: dict[str, int | None]) -> dict[str, Any]:
        """Return the report's fields: what the core could not take is unknown."""
        if "soc_permille" in values:
            return {
                name: self._fitting(name, values[name]) for name in ("soc_permille", "soh_permille")
            }
        current_ma, decic = values["current_ma"], values["temperature_decic"]
        if current_ma is not None and self._settings.positive == "discharge":
            current_ma = -current_ma
        fields = {"voltage_mv": values["voltage_mv"], "current_ma": current_ma}
        if self._settings.pack is not None:
            fields |= {"temperature_min_decic": decic, "temperature_max_decic": decic}
        return {name: self._fitting(name, value) for name, value in fields.items()}

    def _fitting(self, name: str, value: int | None) -> int | None:
        low, high = self._ranges.get(name) or RANGES[name]
        return value if value is not None and low <= value <= high else None

    def _record(self, report: PackReport) -> Record:
        if self._settings.pack is not None:
            return report
        return BusReport(
            report.sample,
            age_ms=report.age_ms,
            voltage_mv=report.voltage_mv,
            current_ma=report.current_ma,
        )

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Frame]:
        """Return nothing: it only hears."""
        return ()
