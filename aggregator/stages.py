"""The daily charge: bulk, absorption, float, and paused while charging is denied.

`TRANSITIONS` is all there is: rows are read top to bottom, the first whose guard holds is taken,
one a step. Guards see the state in cycle.py only; `Stages.step` brings it up to date first.
"""

from .cycle import ABSORPTION, BULK, FLOAT, PAUSED, STAGES, Cycle

RESTART_VOLTAGE_DWELL_MS = 60_000  # for restart_below_mv (common practice, no source)

# Guards: one line each, functions of a Cycle.


def denied(now: Cycle) -> bool:
    """Charging is denied, or its dwell still runs."""
    return now.stage != PAUSED and now.facts.denied


def allowed_again(now: Cycle) -> bool:
    """The denial has cleared and its dwell has passed."""
    return not now.facts.denied


def target_held(now: Cycle) -> bool:
    """The bank's voltage has held the target, less the tolerance, for the dwell."""
    return now.reached_ms > 0 and now.reached_ms >= now.in_force.dwell_ms


def cell_arrived(now: Cycle) -> bool:
    """The highest cell has been within 50 mV of its ceiling for the dwell."""
    return now.arrived_ms > 0 and now.arrived_ms >= now.in_force.dwell_ms


def longest(now: Cycle) -> bool:
    """absorption_max_ms of wall time have passed since absorption began."""
    return now.absorbing_ms >= now.in_force.absorption_max_ms


def served(now: Cycle) -> bool:
    """The voltage has been held for absorption_ms (mode timer)."""
    timer = now.settings.absorption_mode == "timer"
    return timer and now.held_ms >= now.in_force.absorption_ms


def full(now: Cycle) -> bool:
    """Every connected pack's tail has been small for the dwell (mode until_full)."""
    if now.settings.absorption_mode == "timer" or now.tails_ms == 0:
        return False
    in_force = now.in_force
    return now.tails_ms >= in_force.dwell_ms and now.held_ms >= in_force.absorption_min_ms


def dipped(now: Cycle) -> bool:
    """The voltage has not been held for dip_ends_cycle_ms: a new cycle."""
    return now.dip_ms > now.in_force.dip_ends_cycle_ms


def asked(now: Cycle) -> bool:
    """The owner asked for a new charge."""
    return now.asked and now.may_start()


def time_over(now: Cycle) -> bool:
    """restart_after_ms have passed in float."""
    after_ms = now.in_force.restart_after_ms
    return after_ms is not None and now.elapsed_ms >= after_ms and now.may_start()


def charge_low(now: Cycle) -> bool:
    """The state of charge fell below restart_below_soc_permille."""
    below = now.in_force.restart_below_soc_permille
    soc = now.facts.soc_permille
    return below is not None and soc is not None and soc < below and now.may_start()


def voltage_low(now: Cycle) -> bool:
    """The bank has been below restart_below_mv for a minute."""
    return now.low_ms >= RESTART_VOLTAGE_DWELL_MS and now.may_start()


def night(now: Cycle) -> bool:
    """The bank has not been charging for restart_after_idle_ms."""
    after_ms = now.in_force.restart_after_idle_ms
    return after_ms is not None and now.idle_ms >= after_ms and now.may_start()


# from (None: any), guard, to (None: where it was paused), the name of the transition.
TRANSITIONS = (
    (None, denied, PAUSED, "charging_denied"),
    (PAUSED, allowed_again, None, "charging_allowed_again"),
    (BULK, target_held, ABSORPTION, "target_held"),
    (BULK, cell_arrived, ABSORPTION, "cell_arrived"),
    (ABSORPTION, longest, FLOAT, "absorption_longest"),
    (ABSORPTION, served, FLOAT, "absorption_served"),
    (ABSORPTION, full, FLOAT, "tails_small"),
    (ABSORPTION, dipped, BULK, "dip_ended_cycle"),
    (ABSORPTION, asked, BULK, "owner_asked"),
    (FLOAT, asked, BULK, "owner_asked"),
    (FLOAT, time_over, BULK, "restart_time"),
    (FLOAT, charge_low, BULK, "restart_charge_low"),
    (FLOAT, voltage_low, BULK, "restart_voltage_low"),
    (FLOAT, night, BULK, "restart_night"),
)

# The rows that a stage may take, in the order of the table.
ROWS_FROM = {
    stage: [row for row in TRANSITIONS if row[0] is None or row[0] == stage] for stage in STAGES
}


class Stages(Cycle):
    """The daily charge under way."""

    def step(self, dt_ms: int) -> None:
        """Let `dt_ms` pass under the present facts, then take at most one transition."""
        self.pass_time(dt_ms)
        self._take()
        self._foresee()

    def _take(self) -> None:
        for _, guard, target, reason in ROWS_FROM[self.stage]:
            if guard(self):
                self._enter(target, reason)
                break
        self.asked = self.asked and self.stage != BULK

    def _enter(self, target: str | None, reason: str) -> None:
        if target == PAUSED:
            self.resume = self.stage
        stage = self.resume if target is None else target
        if self.stage != PAUSED and target != PAUSED:
            self.elapsed_ms = 0
            if stage == BULK:
                self.since_start_ms = 0
            elif stage == ABSORPTION:
                self.absorbing_ms = 0
                self.held_ms = 0
                self.dip_ms = 0
                self.tails_ms = 0
            elif stage == FLOAT:
                self.since_full_minutes = 0
                self.spare_ms = 0
        self.stage = stage
        self.why = reason
        self.paused_ms = 0

    def _foresee(self) -> None:
        """Note the transition that comes next, if its time is known: `ends_by`, `ends_ms`."""
        self.ends_by = None
        self.ends_ms = None
        if self.stage == PAUSED:
            if self.facts.dwell_left_ms:
                self.ends_by = "charging_allowed_again"
                self.ends_ms = self.facts.dwell_left_ms
        elif self.stage == ABSORPTION:
            self.ends_by = "absorption_longest"
            self.ends_ms = max(0, self.in_force.absorption_max_ms - self.absorbing_ms)
            if self.settings.absorption_mode == "timer" and self.held:
                served_ms = max(0, self.in_force.absorption_ms - self.held_ms)
                if served_ms < self.ends_ms:
                    self.ends_by = "absorption_served"
                    self.ends_ms = served_ms
        elif self.stage == FLOAT:
            after_ms = self.in_force.restart_after_ms
            if after_ms is not None:
                wait_ms = self.in_force.restart_min_interval_ms - self.since_start_ms
                self.ends_by = "restart_time"
                self.ends_ms = max(0, after_ms - self.elapsed_ms, wait_ms)
