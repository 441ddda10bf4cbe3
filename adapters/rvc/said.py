"""What is said of a view, and how often: one row for each status. Board-safe.

RV-C knows no number for a discharge limit. "May not discharge" is said by flags: STATUS_6, low
voltage limit (loads must stop), and STATUS_11, discharge bus. "May not charge" is said thrice:
STATUS_4 "do not charge", STATUS_6 high voltage limit (charging must stop), STATUS_11, charge bus.

STATUS_6 of several packs together: the standard wants a condition flagged when *all* of them are in
it (6.5.7). `any_member` also flags what one pack's protection says, which stops chargers earlier.
Disconnections are never told: a gateway opens no contact, so it could not announce one 2 s before.
"""

from adapters.rvc import statuses
from adapters.rvc.frames import (
    BYTES,
    CONNECTION_STATUS,
    STATUS_1,
    STATUS_2,
    STATUS_3,
    STATUS_4,
    STATUS_5,
    STATUS_6,
    STATUS_11,
    STATUS_13,
    UNKNOWN,
    flag,
    identifier,
)
from adapters.rvc.scales import STEP_MA, STEP_MV
from aggregator.report import alarm_bits
from aggregator.ticks import since
from aggregator.view import SystemView

BATTERY_MONITOR = 69  # default source address of a device that tells a battery's state (Table 7.2)
BRIDGE = 3  # of DC_SOURCE_CONNECTION_STATUS: several instances behind one

HIGH_VOLTAGE = alarm_bits(["cell_over_voltage", "pack_over_voltage"])
LOW_VOLTAGE = alarm_bits(["cell_under_voltage", "pack_under_voltage"])
LOW_TEMPERATURE = alarm_bits(["charge_under_temperature", "discharge_under_temperature"])
HIGH_TEMPERATURE = alarm_bits(
    ["board_over_temperature", "charge_over_temperature", "discharge_over_temperature"]
)
HIGH_CURRENT = alarm_bits(["charge_over_current", "discharge_over_current", "short_circuit"])


class Subject:
    """Whom we speak for: DC instance, our priority, and how STATUS_6 and capacities are meant.

    `design_mah`: the bank's capacity as designed; None: its present one stands for it.
    """

    __slots__ = ("any_member", "design_mah", "highest_mv", "instance", "lowest_mv", "priority")

    def __init__(
        self, instance: int, priority: int, design_mah: int | None, any_member: bool
    ) -> None:
        self.instance = instance
        self.priority = priority
        self.design_mah = design_mah
        self.any_member = any_member
        self.lowest_mv: int | None = None  # since the start
        self.highest_mv: int | None = None

    def look(self, view: SystemView) -> None:
        """Remember the extremes."""
        low, high = view.voltage_min_mv, view.voltage_max_mv
        if low is not None and (self.lowest_mv is None or low < self.lowest_mv):
            self.lowest_mv = low
        if high is not None and (self.highest_mv is None or high > self.highest_mv):
            self.highest_mv = high


def may_charge(view: SystemView) -> bool:
    """May the bank be charged, once limits are rounded to the steps of the bus?"""
    enough = view.charge_current_limit_ma >= STEP_MA and view.charge_voltage_limit_mv >= STEP_MV
    return view.charge_allowed and enough


# How each status is filled in: data, the view, whom we speak for.


def voltage_and_current(data: bytearray, view: SystemView, subject: Subject) -> None:
    """STATUS_1."""
    statuses.put_1(data, view.voltage_mv, view.current_ma)


def temperature_and_charge(data: bytearray, view: SystemView, subject: Subject) -> None:
    """STATUS_2: the hottest sensor; the charge left, as a share of the capacity as designed."""
    soc = view.soc_permille
    if subject.design_mah is not None and view.remaining_mah is not None:
        soc = min(1_000, view.remaining_mah // max(1, subject.design_mah // 1_000))
    statuses.put_2(data, view.temperature_max_decic, soc)


def health_and_capacity(data: bytearray, view: SystemView, subject: Subject) -> None:
    """STATUS_3: charge left, in Ah and as a share of the capacity that there still is."""
    statuses.put_3(data, view.soh_permille, view.remaining_mah, view.soc_permille)


def goals(data: bytearray, view: SystemView, subject: Subject) -> None:
    """STATUS_4: how high and how hard chargers may charge, all of them together."""
    limit_mv, limit_ma = view.charge_voltage_limit_mv, view.charge_current_limit_ma
    statuses.put_4(data, view.charge_allowed, limit_mv, limit_ma)


def precise_voltage(data: bytearray, view: SystemView, subject: Subject) -> None:
    """STATUS_5."""
    statuses.put_5(data, view.voltage_mv)


def limits_reached(data: bytearray, view: SystemView, subject: Subject) -> None:
    """STATUS_6."""
    statuses.clear_6(data, UNKNOWN)
    bits = view.protection_bits if subject.any_member else 0
    high = not may_charge(view) or bits & HIGH_VOLTAGE != 0
    low = not view.discharge_allowed or bits & LOW_VOLTAGE != 0
    statuses.set_6(data, statuses.HIGH_VOLTAGE, flag(high))
    statuses.set_6(data, statuses.LOW_VOLTAGE, flag(low))
    if subject.any_member:
        statuses.set_6(data, statuses.LOW_TEMPERATURE, flag(bits & LOW_TEMPERATURE != 0))
        statuses.set_6(data, statuses.HIGH_TEMPERATURE, flag(bits & HIGH_TEMPERATURE != 0))
        statuses.set_6(data, statuses.HIGH_CURRENT, flag(bits & HIGH_CURRENT != 0))


def buses_and_power(data: bytearray, view: SystemView, subject: Subject) -> None:
    """STATUS_11: a bus counts as connected while its direction is allowed."""
    charging = None if view.current_ma is None else view.current_ma > 0
    capacity_mah = view.capacity_mah if subject.design_mah is None else subject.design_mah
    discharge, charge = flag(view.discharge_allowed), flag(may_charge(view))
    statuses.put_11(data, discharge, charge, flag(charging), capacity_mah or None, view.power_w)


def extremes(data: bytearray, view: SystemView, subject: Subject) -> None:
    """STATUS_13: since the gateway started."""
    statuses.put_13(data, subject.lowest_mv, subject.highest_mv)


def connection(data: bytearray, view: SystemView, subject: Subject) -> None:
    """DC_SOURCE_CONNECTION_STATUS: several packs behind one instance."""
    data[0], data[1] = subject.instance, BATTERY_MONITOR
    data[2] = 0xF0 | BRIDGE
    data[3] = subject.instance
    for at in range(4, BYTES):
        data[at] = 0xFF


# DGN; sent every [ms] (0: only when asked, and once at the start), never closer than [ms]; at once
# when it changes? The gaps are the standard's, but for 4 and 6, which we repeat each second (of 5).
SAID = (
    (STATUS_4, 1_000, 100, True, goals),
    (STATUS_6, 1_000, 100, True, limits_reached),
    (STATUS_11, 1_000, 50, True, buses_and_power),
    (STATUS_1, 500, 50, False, voltage_and_current),
    (STATUS_2, 500, 50, False, temperature_and_charge),
    (STATUS_3, 500, 50, False, health_and_capacity),
    (STATUS_5, 500, 50, False, precise_voltage),
    (STATUS_13, 0, 50, False, extremes),
    (CONNECTION_STATUS, 0, 50, False, connection),
)
HURRIED_MS, HURRIED_PRIORITY = 100, 2  # STATUS_5 during over-voltage


class Saying:
    """One row of SAID at work."""

    __slots__ = (
        "_fill",
        "_gap_ms",
        "_identifiers",
        "_new",
        "_said",
        "_said_ms",
        "_source",
        "asked",
        "dgn",
        "number",
        "watched",
    )

    def __init__(self, row: int) -> None:
        self.dgn, _, self._gap_ms, self.watched, self._fill = SAID[row]
        self.number = row
        self.asked = False
        self._new = bytearray(BYTES)
        self._said = bytearray(BYTES)
        self._said_ms: int | None = None
        self._source = -1  # whose identifiers these are: usual and hurried
        self._identifiers = (0, 0)

    def opened(self) -> None:
        """Nothing has been said yet."""
        self._said_ms = None
        self.asked = False

    def frame(
        self, now_ms: int, view: SystemView, subject: Subject, source: int, speaking: bool
    ) -> tuple[int, bytes] | None:
        """Return the frame that is due, if one is."""
        hurried = self.dgn == STATUS_5 and view.protection_bits & HIGH_VOLTAGE != 0
        period_ms = HURRIED_MS if hurried else SAID[self.number][1]
        if not self.asked and not speaking:
            return None
        gone_ms = None if self._said_ms is None else since(now_ms, self._said_ms)
        if gone_ms is not None and 0 <= gone_ms < self._gap_ms:
            return None
        due = self.asked or gone_ms is None or (period_ms and not 0 <= gone_ms < period_ms)
        if not due and not self.watched:
            return None
        new = self._new
        new[0], new[1] = subject.instance, subject.priority
        self._fill(new, view, subject)
        if not due and new == self._said:
            return None
        self._new, self._said = self._said, new
        self._said_ms = now_ms
        self.asked = False
        if source != self._source:
            self._source = source
            self._identifiers = (
                identifier(self.dgn, source),
                identifier(self.dgn, source, HURRIED_PRIORITY),
            )
        return self._identifiers[1 if hurried else 0], bytes(new)
