"""The talker that hears a pack: DC source statuses of one instance to reports. Board-safe.

A report is handed over with each STATUS_1 (voltage and current), and at once when STATUS_4 or
STATUS_6 forbids more than before. What the other statuses say counts for as long as the standard's
gaps allow twice; older than that it is unknown, and an unknown limit is 0. So are both limits
of a source whose STATUS_6 has ended. Frames of a source that
another one goes before are passed over; when the source changes, everything is heard anew.

RV-C tells no number for discharge, so the owner may set one (`discharge_limit_ma`): it counts while
the pack's flags allow discharge. A limit flag for temperature or current does not tell its
direction: it stops charging, and discharging too unless current is flowing in (6.5.7).
"""

from adapters.counts import Counts
from adapters.rvc.flags import (
    DISCONNECTS,
    LIMITS,
    STOP_CHARGE,
    STOP_DISCHARGE,
    STOP_EITHER,
    alarms_of,
    any_of,
)
from adapters.rvc.frames import (
    NO,
    STATUS_1,
    STATUS_2,
    STATUS_3,
    STATUS_4,
    STATUS_5,
    STATUS_6,
    STATUS_11,
    YES,
    Frame,
    get_16,
)
from adapters.rvc.rank import Followed, published
from adapters.rvc.scales import (
    decic_of,
    get_current,
    ma_of,
    mah_of,
    mv_of,
    permille_of,
)
from adapters.rvc.statuses import DO_NOT_CHARGE, GOALS, LOW_VOLTAGE, UNDEFINED, get_6
from aggregator.report import SAMPLE_MODULO, PackReport
from aggregator.ticks import since
from aggregator.view import SystemView

# Each status that is heard, and how long it counts [ms]: twice the standard's longest gap.
HEARD = (
    (STATUS_1, 1_000),
    (STATUS_2, 1_000),
    (STATUS_3, 1_000),
    (STATUS_4, 10_000),
    (STATUS_5, 1_000),
    (STATUS_6, 10_000),
    (STATUS_11, 2_000),
)
DGNS = tuple([dgn for dgn, _ in HEARD])
ONE, TWO, THREE, FOUR, FIVE, SIX, ELEVEN = range(7)


class RvcPack:
    """Hears one DC instance as one pack. The report is used again: hand it on at once.

    `charge_limit_ma`, `discharge_limit_ma`: the owner's figures for a pack that states none.
    """

    def __init__(
        self,
        pack: str,
        instance: int,
        charge_limit_ma: int | None = None,
        discharge_limit_ma: int | None = None,
    ) -> None:
        self.counts = Counts()
        self._instance = instance
        self._charge_limit_ma = charge_limit_ma
        self._discharge_limit_ma = discharge_limit_ma
        self._followed = Followed()
        self._frame = Frame()
        self._report = PackReport(pack, 0)
        self._warnings: list[str] = []
        self._protections: list[str] = []
        self._data = [bytearray(8) for _ in HEARD]
        self._heard_ms: list[int | None] = [None] * len(HEARD)
        self._records: list[PackReport] = []
        self._first_ms: int | None = None  # when this source was first heard, until _lasted
        self._lasted = False  # heard for longer than it may leave STATUS_4 out
        self._managed = False  # has ever stated goals
        self._flagged = False  # has ever told flags

    def opened(self, now_ms: int) -> None:
        """Forget what was heard."""
        for part in range(len(HEARD)):
            self._heard_ms[part] = None
        self._first_ms = None
        self._lasted = False

    def received(self, item: tuple[int, bytes], now_ms: int) -> list[PackReport]:
        """Return a report, if the frame makes one."""
        records = self._records
        while records:
            records.pop()
        frame = self._frame
        if not frame.take(item):
            if frame.bad:
                self.counts.refuse("expected a frame: identifier, at most 8 bytes")
            return records
        if frame.dgn not in DGNS or frame.data[0] != self._instance:
            return records
        if frame.length < 3:
            self.counts.refuse("expected a DC source status of 3 bytes or more")
            return records
        before = self._followed.source
        if not self._followed.counts(published(frame.data[1]), frame.source, now_ms):
            return records
        if self._followed.source != before:
            self.opened(now_ms)
        if self._first_ms is None:
            self._first_ms = now_ms
        elif not 0 <= since(now_ms, self._first_ms) <= HEARD[FOUR][1]:
            self._lasted = True
        part = DGNS.index(frame.dgn)
        self._heard_ms[part] = now_ms
        kept = self._data[part]
        for at in range(8):
            kept[at] = frame.data[at]
        self._drop_old(now_ms)
        if self._heard_ms[ONE] is not None and (part == ONE or self._is_bad_news(part)):
            records.append(self._whole(now_ms))
        return records

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> list[tuple[int, bytes]]:
        """Say nothing."""
        return []

    def _drop_old(self, now_ms: int) -> None:
        """What has not come for too long is unknown."""
        for part in range(len(HEARD)):
            heard_ms = self._heard_ms[part]
            if heard_ms is not None and not 0 <= since(now_ms, heard_ms) <= HEARD[part][1]:
                self._heard_ms[part] = None

    def _is_bad_news(self, part: int) -> bool:
        """Does a status that has just come forbid, or lower, what the last report allowed?"""
        report = self._report
        if part == FOUR:
            limit_ma, limit_mv = report.charge_current_limit_ma, report.charge_voltage_limit_mv
            self._goals()
            now_ma, now_mv = report.charge_current_limit_ma, report.charge_voltage_limit_mv
            return _fell(limit_ma, now_ma) or _fell(limit_mv, now_mv)
        if part == SIX:
            charge, discharge = report.charge_allowed, report.discharge_allowed
            self._flags()
            return (charge is not False and report.charge_allowed is False) or (
                discharge is not False and report.discharge_allowed is False
            )
        return False

    def _whole(self, now_ms: int) -> PackReport:
        """Fill in the report with all that counts."""
        report = self._report
        one = self._data[ONE]
        heard_ms = self._heard_ms[ONE]
        report.age_ms = 0 if heard_ms is None else since(now_ms, heard_ms)
        report.voltage_mv = mv_of(get_16(one, 2))
        report.current_ma = get_current(one, 4)
        if self._heard_ms[FIVE] is not None:
            report.voltage_mv = _precise_mv(self._data[FIVE], report.voltage_mv)
        self._state()
        self._goals()
        self._flags()
        report.sample = (report.sample + 1) % SAMPLE_MODULO
        return report

    def _state(self) -> None:
        """Temperature, charge, health, capacity, paths."""
        report = self._report
        two, three, eleven = self._data[TWO], self._data[THREE], self._data[ELEVEN]
        known = self._heard_ms[TWO] is not None
        temperature = decic_of(get_16(two, 2)) if known else None
        report.temperature_min_decic = report.temperature_max_decic = temperature
        soc = permille_of(two[4]) if known else None
        known = self._heard_ms[THREE] is not None
        report.soh_permille = permille_of(three[2]) if known else None
        full = permille_of(three[5]) if known else None
        report.soc_permille = soc if full is None else full
        known = self._heard_ms[ELEVEN] is not None
        report.discharge_path_closed = _yes_no(eleven[2] & 3) if known else None
        report.charge_path_closed = _yes_no(eleven[2] >> 2 & 3) if known else None
        report.capacity_mah = _present_mah(eleven, report.soh_permille) if known else None

    def _goals(self) -> None:
        """STATUS_4: what the pack wants of chargers."""
        report = self._report
        report.charge_voltage_limit_mv = None
        report.charge_current_limit_ma = None
        report.charge_allowed = None
        if self._heard_ms[FOUR] is None:
            if not self._managed and self._lasted:  # it seems to be one that states no goals
                report.charge_current_limit_ma = self._charge_limit_ma
            return
        self._managed = True
        four = self._data[FOUR]
        wanted_ma = ma_of(get_16(four, 5))
        report.charge_voltage_limit_mv = mv_of(get_16(four, 3))
        if four[2] == DO_NOT_CHARGE:
            report.charge_allowed = False
            report.charge_current_limit_ma = 0
        elif wanted_ma is not None:
            report.charge_allowed = wanted_ma > 0
            report.charge_current_limit_ma = min(max(0, wanted_ma), 1_000_000)
        else:
            report.charge_allowed = True if UNDEFINED < four[2] <= GOALS else None
            report.charge_current_limit_ma = self._charge_limit_ma

    def _flags(self) -> None:
        """STATUS_6: what has been reached."""
        report = self._report
        report.discharge_current_limit_ma = self._discharge_limit_ma
        report.discharge_allowed = None
        report.warnings = report.protections = None
        if self._heard_ms[SIX] is None:
            if self._flagged:  # silence must not lift what a flag stopped
                report.charge_current_limit_ma = report.discharge_current_limit_ma = None
            elif not self._lasted:  # it may have flags to tell
                report.discharge_current_limit_ma = None
            return
        self._flagged = True
        six = self._data[SIX]
        report.discharge_allowed = True if get_6(six, LOW_VOLTAGE) == NO else None
        either = any_of(six, STOP_EITHER)
        if either or any_of(six, STOP_CHARGE):
            report.charge_allowed = False
            report.charge_current_limit_ma = 0
        flowing_in = report.current_ma is not None and report.current_ma > 0
        if any_of(six, STOP_DISCHARGE) or (either and not flowing_in):
            report.discharge_allowed = False
            report.discharge_current_limit_ma = 0
        report.warnings = alarms_of(six, LIMITS, flowing_in, self._warnings)
        report.protections = alarms_of(six, DISCONNECTS, flowing_in, self._protections)


def _yes_no(bits: int) -> bool | None:
    return True if bits == YES else False if bits == NO else None


def _fell(before: int | None, now: int | None) -> bool:
    """Has a limit fallen, or been taken back?"""
    return before is not None and (now is None or now < before)


def _precise_mv(five: bytearray, rough_mv: int | None) -> int | None:
    """Return STATUS_5's voltage; STATUS_1's if it has none."""
    mv = get_16(five, 2) | (get_16(five, 4) & 0xFF) << 16
    return mv if get_16(five, 4) <= 0xFF and mv <= 150_000 else rough_mv


def _present_mah(eleven: bytearray, soh_permille: int | None) -> int | None:
    """Return the capacity there still is, from the one as designed and the state of health."""
    mah = mah_of(get_16(eleven, 3))
    if mah is None or soh_permille is None:
        return mah
    return max(1, mah // 1_000 * soh_permille)
