"""The state of the daily charge: the stage, its timers, and what it may know of the bank.

A stage asks for a charge voltage; it never asks for current. Every timer counts up and stops at
`FULL_MS`, so none can wrap round. How one stage follows another: stages.py.
"""

from .checks import per_cell
from .ranges import STAGE_INTS
from .settings import ABSORPTION_CELL_MV, FLOAT_CELL_MV, BankSettings, StageSettings

BULK = "bulk"
ABSORPTION = "absorption"
FLOAT = "float"
PAUSED = "paused"
STAGES = (BULK, ABSORPTION, FLOAT, PAUSED)

FULL_MS = (1 << 29) - 1
MS_PER_MINUTE = 60_000
FULL_MINUTES = 1 << 20

# The timers, in the order in which they are kept across a restart. What each one counts:
TIMERS = (
    "elapsed_ms",  # since bulk, absorption or float was entered, through pauses
    "reached_ms",  # the target has been held without a break
    "arrived_ms",  # the highest cell has been at its ceiling without a break
    "absorbing_ms",  # wall time since absorption began, through pauses
    "held_ms",  # the time of it in which the voltage was held
    "dip_ms",  # the voltage has been below the target without a break
    "tails_ms",  # every tail has been small enough without a break
    "low_ms",  # the bank has been below restart_below_mv without a break
    "idle_ms",  # the bank has not been charging, in float, without a break
    "since_start_ms",  # since the last start of bulk
    "since_full_minutes",  # since absorption last ran to its end; minutes
)


class Facts:
    """What the stages may know of the bank in one step."""

    def __init__(self) -> None:
        self.voltage_mv: int | None = None
        self.current_ma: int | None = None
        self.soc_permille: int | None = None
        self.cell_arrived = False  # the highest cell is near its ceiling
        self.tails_small = False  # every connected pack's own tail is, and nobody else limits
        self.denied = True  # charging is denied, or waits for its dwell
        self.dwell_left_ms = 0
        self.target_cap_mv = 0  # what packs, installer and owner allow at most
        self.idle_ma = 0  # a current up to this is not charging


class Cycle:
    """The state of the daily charge. Times in ms; `adjusted`: the owner's changes to settings."""

    def __init__(self, bank: BankSettings) -> None:
        self.settings = bank.stages
        # The numbers in force: the installer's, with voltages filled in and the owner's changes.
        self.in_force = StageSettings()
        for row in STAGE_INTS:
            setattr(self.in_force, row[0], getattr(bank.stages, row[0]))
        cells = bank.cell_count
        absorption_mv = per_cell(bank.stages.absorption_mv, ABSORPTION_CELL_MV, cells)
        self.in_force.absorption_mv = absorption_mv
        self.in_force.float_mv = per_cell(bank.stages.float_mv, FLOAT_CELL_MV, cells)
        self.facts = Facts()
        self.adjusted: list[tuple[str, int]] = []
        self.stage = BULK
        self.resume = BULK
        self.why = "start"
        self.ends_by: str | None = None
        self.ends_ms: int | None = None
        self.asked = False
        self.held = False
        self.spare_ms = 0  # less than a minute, of since_full_minutes
        self.elapsed_ms = 0
        self.paused_ms = 0
        self.reached_ms = 0
        self.arrived_ms = 0
        self.absorbing_ms = 0
        self.held_ms = 0
        self.dip_ms = 0
        self.tails_ms = 0
        self.low_ms = 0
        self.idle_ms = 0
        self.since_start_ms = 0
        self.since_full_minutes = FULL_MINUTES

    def bounds(self, field: object) -> tuple[int, int] | None:
        """Return how far the installer lets the owner change `field`; None: not at all."""
        for name, low, high in self.settings.adjustable:
            if name == field:
                return low, high
        return None

    def adjust(self, field: str, value: int) -> None:
        """Change a stage setting; the caller has checked the bounds. The newest wins."""
        self.adjusted = [row for row in self.adjusted if row[0] != field]
        self.adjusted.append((field, value))
        setattr(self.in_force, field, value)

    def target_mv(self) -> int:
        """What the stage asks for. Float stays below absorption, whatever the owner adjusts."""
        absorption_mv = self.in_force.absorption_mv or 0
        stage = self.resume if self.stage == PAUSED else self.stage
        if stage == FLOAT:
            return min(self.in_force.float_mv or 0, absorption_mv - 1)
        return absorption_mv

    def may_start(self) -> bool:
        """Has the least time between two starts passed?"""
        return self.since_start_ms >= self.in_force.restart_min_interval_ms

    def pass_time(self, dt_ms: int) -> None:
        """Let `dt_ms` pass under the present facts."""
        facts = self.facts
        in_force = self.in_force
        target_mv = min(in_force.absorption_mv or 0, facts.target_cap_mv)
        voltage_mv = facts.voltage_mv
        reached = voltage_mv is not None and voltage_mv >= target_mv - in_force.tolerance_mv
        self.reached_ms = _count(self.reached_ms, dt_ms, reached)
        self.arrived_ms = _count(self.arrived_ms, dt_ms, facts.cell_arrived)
        self.held = (reached or facts.cell_arrived) and not facts.denied
        self.elapsed_ms = min(self.elapsed_ms + dt_ms, FULL_MS)
        self.paused_ms = _count(self.paused_ms, dt_ms, self.stage == PAUSED)
        self.since_start_ms = min(self.since_start_ms + dt_ms, FULL_MS)
        stage = self.resume if self.stage == PAUSED else self.stage
        if stage == ABSORPTION:
            self.absorbing_ms = min(self.absorbing_ms + dt_ms, FULL_MS)
            if self.held and self.stage == ABSORPTION:
                self.held_ms = min(self.held_ms + dt_ms, FULL_MS)
        self.dip_ms = _count(self.dip_ms, dt_ms, not self.held)
        self.tails_ms = _count(self.tails_ms, dt_ms, self.held and facts.tails_small)
        low_mv = in_force.restart_below_mv
        low = low_mv is not None and voltage_mv is not None and voltage_mv < low_mv
        self.low_ms = _count(self.low_ms, dt_ms, low)
        charging = facts.current_ma is not None and facts.current_ma > facts.idle_ma
        self.idle_ms = _count(self.idle_ms, dt_ms, stage == FLOAT and not charging)
        self._age_full(dt_ms)

    def _age_full(self, dt_ms: int) -> None:
        self.spare_ms += dt_ms
        if self.spare_ms >= MS_PER_MINUTE:
            minutes = self.since_full_minutes + self.spare_ms // MS_PER_MINUTE
            self.since_full_minutes = min(minutes, FULL_MINUTES)
            self.spare_ms %= MS_PER_MINUTE

    def shown_ms(self) -> int:
        """How long the stage that is shown has lasted."""
        return self.paused_ms if self.stage == PAUSED else self.elapsed_ms


def _count(timer_ms: int, dt_ms: int, runs: bool) -> int:
    """Return a timer that counts while something lasts, and starts over when it stops."""
    return min(timer_ms + dt_ms, FULL_MS) if runs else 0
