"""The daily charge without a bank around it: a stage, its timers and what it knows, as told.

now = at(FLOAT, elapsed_ms=80_000, soc_permille=500, restart_after_ms=80_000)
"""

from aggregator import BankSettings, PackSettings, StageSettings
from aggregator.cycle import BULK
from aggregator.stages import Stages

TARGET_MV = 55_200
HELD: dict[str, object] = {"voltage_mv": TARGET_MV}
UNTIL_FULL: dict[str, object] = {"absorption_mode": "until_full"}
SETTINGS: dict[str, object] = {
    "absorption_ms": 60_000,
    "absorption_min_ms": 40_000,
    "absorption_max_ms": 90_000,
    "dip_ends_cycle_ms": 20_000,
    "dwell_ms": 10_000,
    "restart_after_ms": 80_000,
    "restart_after_idle_ms": 70_000,
    "restart_below_mv": 52_000,
    "restart_below_soc_permille": 300,
    "restart_min_interval_ms": 50_000,
}


def at(stage: str = BULK, resume: str = BULK, **state: object) -> Stages:
    """A day in this stage, at rest below its target: `state` are timers, facts or settings."""
    given = {name: state.pop(name) for name in list(state) if hasattr(StageSettings(), name)}
    settings = StageSettings(**{**SETTINGS, **given})  # type: ignore[arg-type]
    now = Stages(BankSettings([PackSettings("oak")], stages=settings))
    now.stage, now.resume = stage, resume
    facts = {"voltage_mv": 53_000, "denied": False, "target_cap_mv": 60_000, "idle_ma": 1_000}
    for name, value in {**facts, "since_start_ms": 50_000, **state}.items():
        setattr(now.facts if hasattr(now.facts, name) else now, name, value)
    return now
