"""Read first: the whole pipeline, accept -> step -> view, in one screen.

    accept(report)   check -> news? -> presence -> the pack's row in every column
    step(now)        silence -> merge -> room -> shares -> stages -> limits -> findings -> view

Nothing here raises after construction, for any value of any type: what cannot be taken is refused
whole, counted and named in the view. There is no clock, no I/O and no randomness.
"""

from .bank import Bank
from .commands import judge_soc_wishes, keep, obey
from .errors import Refusal
from .findings import Findings
from .headroom import survey
from .limits import current_caps, settle_limits, voltage_caps
from .loss import carried_after_loss_ma
from .report import BUS_INTS, BusReport, PackReport, bad_int, check_report
from .requests import WISH, Request, check_request, row_of
from .rows import BankRows
from .settings import OFF, BankSettings
from .snapshot import restored, snapshot_of
from .ticks import since
from .view import Cap, SystemView

LIMITS = ("charge_current", "discharge_current", "charge_voltage", "discharge_voltage")


class Aggregator:
    """One battery out of the packs in `settings`. Units and signs: see report.py and view.py."""

    def __init__(self, settings: BankSettings) -> None:
        self._bank = Bank(settings)
        self._bank.view.source = BankRows(self._bank)
        self._findings = Findings(len(self._bank.packs))

    def accept(self, report: PackReport, now_ms: int) -> Refusal | None:
        """Take one pack's report. Returns None, or why it was refused (and nothing changed).

        A repeated sample, or one that was overtaken, is taken for what it is: nothing new.
        """
        bank = self._bank
        if not isinstance(report, PackReport):
            return self._refuse(Refusal("report", "a PackReport", report))
        pack = bank.find(report.pack)
        if pack is None:
            return self._refuse(Refusal("pack", "the name of a pack in the settings", report.pack))
        refusal = _bad_time(now_ms) or check_report(report, bank.settings.cell_count)
        if refusal is not None:
            return self._refuse(refusal)
        if pack.is_news(report.sample):
            bank.hear(pack, report, bank.clock.read(now_ms))
        return None

    def bus(self, report: BusReport, now_ms: int) -> Refusal | None:
        """Take a reading of a meter on the common bus. Returns None, or why it was refused."""
        if not isinstance(report, BusReport):
            return self._refuse(Refusal("report", "a BusReport", report))
        refusal = _bad_time(now_ms) or bad_int(report, BUS_INTS)
        if refusal is None and report.sample is None:
            refusal = Refusal("sample", "0..65535", None)
        if refusal is not None:
            return self._refuse(refusal)
        self._bank.hear_bus(report, self._bank.clock.read(now_ms))
        return None

    def request(self, request: Request, now_ms: int) -> Refusal | None:
        """Take a wish, command or declaration. Returns None, or why it was refused."""
        if not isinstance(request, Request):
            return self._refuse(Refusal("request", "a Request", request))
        refusal = _bad_time(now_ms) or check_request(request, self._bank.names)
        if refusal is not None:
            return self._refuse(refusal)
        row = row_of(request.kind)
        if row is not None and row[1] == WISH:
            return self._refuse(keep(self._bank, request, self._bank.clock.read(now_ms)))
        return self._refuse(obey(self._bank, request))

    def step(self, now_ms: int) -> SystemView:
        """Work everything out as of `now_ms`; returns the view, which the next step reuses.

        A `now_ms` that is no integer is refused: then no time has passed.
        """
        bank = self._bank
        known = self._refuse(_bad_time(now_ms)) is None
        dt_ms = bank.clock.advance(now_ms) if known else 0
        bank.look(dt_ms)
        bank.note_presence()
        if bank.wishes.kept:
            if bank.wishes.run_down(dt_ms):
                bank.apply_wishes()
            judge_soc_wishes(bank)
        bus_ma = bank.fresh_bus_ma()
        bank.merge.tell(bank.view, bank.packs, bus_ma)
        bank.look_ahead(dt_ms)
        for side in bank.currents:
            survey(side, dt_ms, bus_ma, bank.shares)
            if bank.settings.survive_pack_loss != OFF:
                side.loss_ma = carried_after_loss_ma(side, bank.shares)
        bank.shares.run(dt_ms, bank.connected)
        bank.step_stages(dt_ms)
        settle_limits(bank, dt_ms)
        self._findings.step(bank)
        bank.view.findings = self._findings.shown
        bank.view.may_speak = bank.somebody_speaks()
        return bank.view

    def may_speak(self, now_ms: int) -> bool:
        """May an adapter send a frame to a charger at `now_ms`? Ask right before each frame.

        True while some pack is heard and the last step is no older than `fresh_ms`: a gateway
        that hangs must fall silent, and must not repeat its last limits.
        """
        bank = self._bank
        stepped = bank.clock.started
        if not stepped or _bad_time(now_ms) is not None or not bank.somebody_speaks():
            return False
        age_ms = since(bank.clock.read(now_ms), bank.clock.now_ms)
        return -bank.settings.fresh_ms <= age_ms <= bank.settings.fresh_ms

    def why(self, limit: str) -> list[Cap]:
        """Every cap on `limit` (one of LIMITS) as of the last step, tightest first [mA or mV].

        The first one is the limit. An unknown name gives an empty list.
        """
        bank = self._bank
        if limit == "charge_current":
            return current_caps(bank.charge, bank.names)
        if limit == "discharge_current":
            return current_caps(bank.discharge, bank.names)
        if limit == "charge_voltage":
            return voltage_caps(bank.charge_voltage, bank.names)
        if limit == "discharge_voltage":
            return voltage_caps(bank.discharge_voltage, bank.names)
        return []

    def snapshot(self) -> dict[str, int | str]:
        """What must survive a restart, as a plain dict of integers and texts: shares, stage and
        its timers, wishes with the time they have left, declarations."""
        return snapshot_of(self._bank)

    def restore(self, state: dict[str, int | str], now_ms: int) -> Refusal | None:
        """Take up a `snapshot` after a restart; remaining times run on. Returns None, or why it
        was refused (and nothing changed). Limits start from 0 all the same; what the owner asked
        for before the restore is newer than the state, and stays."""
        return self._refuse(_bad_time(now_ms) or restored(self._bank, state))

    def _refuse(self, refusal: Refusal | None) -> Refusal | None:
        if refusal is not None:
            self._bank.view.rejected += 1
            self._bank.view.last_refusal = str(refusal)
        return refusal


def _bad_time(now_ms: object) -> Refusal | None:
    return None if type(now_ms) is int else Refusal("now_ms", "an integer of milliseconds", now_ms)
