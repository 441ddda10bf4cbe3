"""The daily charge: is every stage that the target shows one that it may be in by now?

Timers here are generous: they count whenever the target's own could, so that what is found is
surely too early, too late or too often.
"""

from collections.abc import Iterator

from conformance.oracle.breach import Breach, differs
from conformance.oracle.reader import Reader
from conformance.oracle.records import Cycle
from conformance.oracle.site import LATE, LIVE, REMOVED, UNHEARD, path_open

NEAR_CEILING_MV = 50  # a cell this close to its ceiling has arrived
LOW_DWELL_MS = 60_000  # for restart_below_mv
STAGES = ("bulk", "absorption", "float", "paused")


def staging(now: Reader) -> Iterator[Breach]:
    """Yield what is wrong with the stage shown, and take it as where the cycle is now."""
    shown = now.view.get("stage")
    if shown is None:
        return
    if shown not in STAGES:
        yield differs("REQ-STG-04", now.now_ms, "stage", shown, "one of " + ", ".join(STAGES))
        return
    cycle = now.cycle
    was = cycle.stage
    _count(now, cycle)
    if cycle.shown is not None and now.sides["charge"].denied and shown != "paused":
        yield differs("REQ-STG-04", now.now_ms, "stage", shown, "paused")
    if shown != "paused":
        if shown != was:
            yield from _transition(now, cycle, was, str(shown))
        elif cycle.shown is not None:
            yield from _elapsed(now, cycle)
        if shown == was == "absorption" and cycle.shown == "absorption":
            yield from _too_long(now, cycle)
        if shown != was:
            _enter(cycle, str(shown))
        elapsed = now.view.get("stage_elapsed_ms")
        cycle.elapsed_ms = elapsed if isinstance(elapsed, int) else 0
    cycle.shown = str(shown)


def _count(now: Reader, cycle: Cycle) -> None:
    """Let the step's time pass."""
    dt_ms = now.dt_ms
    reached, arrived = _reached(now), _arrived(now)
    held = reached or arrived
    denied = now.before.get("charge_current_limit_ma", 0) == 0
    cycle.reached_ms = cycle.reached_ms + dt_ms if reached else 0
    cycle.arrived_ms = cycle.arrived_ms + dt_ms if arrived else 0
    cycle.dip_ms = 0 if held and not denied and now.is_sure() else cycle.dip_ms + dt_ms
    cycle.since_start_ms += dt_ms
    if cycle.stage == "absorption":
        cycle.absorbing_ms += dt_ms
        cycle.held_ms += dt_ms if held else 0
    volt, low_mv = now.voltage_mv(), now.stage_number("restart_below_mv")
    is_low = volt is None or (low_mv is not None and volt < low_mv)
    cycle.low_ms = cycle.low_ms + dt_ms if is_low else 0
    if cycle.stage == "float":
        cycle.float_ms += dt_ms
        cycle.idle_ms = cycle.idle_ms + dt_ms if _is_idle(now) else 0


def _reached(now: Reader) -> bool:
    """Has the bank's voltage reached the target, less the tolerance?"""
    settings, volt = now.settings, now.voltage_mv()
    assert settings is not None
    if volt is None:
        return not now.is_sure()
    own = [
        limit
        for pack in now.packs
        if pack.presence != REMOVED
        and (limit := pack.number("charge_voltage_limit_mv")) is not None
    ]
    target = min(
        now.stage_number("absorption_mv") or 0,
        settings.charge_voltage_ceiling_mv,
        *own,
        *now.wished("cap_charge_voltage"),
    )
    return volt >= target - (now.stage_number("tolerance_mv") or 0) or not now.is_sure()


def _arrived(now: Reader) -> bool:
    """Is some cell close to its ceiling?"""
    return any(
        pack.presence != REMOVED
        and (cell := pack.number("cell_max_mv")) is not None
        and pack.settings.cell_ceiling_mv - cell <= NEAR_CEILING_MV
        for pack in now.packs
    )


def _is_idle(now: Reader) -> bool:
    assert now.settings is not None
    current = now.view.get("current_ma")
    return not isinstance(current, int) or current <= now.settings.zero_current_ma


def _transition(now: Reader, cycle: Cycle, was: str, shown: str) -> Iterator[Breach]:
    """A change of stage: is there such a transition, and is its time come?"""
    for origin, target, requirement, may, why in TRANSITIONS:
        if (origin, target) == (was, shown):
            if cycle.shown == "paused":
                break
            if not may(now, cycle):
                text = f"{was} turned to {shown} too early: {why}"
                yield Breach(requirement, now.now_ms, text, "view.stage", "in", [was, "paused"])
            return
    text = f"there is no way from {'a pause in ' * (cycle.shown == 'paused')}{was} to {shown}"
    yield Breach("REQ-STG-09", now.now_ms, text, "view.stage", "in", [was, "paused"])


def _may_absorb(now: Reader, cycle: Cycle) -> bool:
    longest = max(cycle.reached_ms, cycle.arrived_ms)
    return longest > 0 and longest >= (now.stage_number("dwell_ms") or 0)


def _may_float(now: Reader, cycle: Cycle) -> bool:
    assert now.settings is not None
    if cycle.absorbing_ms >= (now.stage_number("absorption_max_ms") or 0):
        return True
    if now.settings.stages.absorption_mode == "timer":
        return cycle.held_ms >= (now.stage_number("absorption_ms") or 0)
    return cycle.held_ms >= (now.stage_number("absorption_min_ms") or 0) and _tails_small(now)


def _tails_small(now: Reader) -> bool:
    """Has every connected pack's own current fallen to its tail?"""
    assert now.settings is not None
    rate = now.stage_number("tail_rate_permille") or 0
    if now.some(LATE) or now.some(UNHEARD):
        return False
    tails = 0
    for pack in now.some(LIVE):
        if path_open(pack, "charge", now.settings.zero_current_ma):
            continue
        capacity, current = pack.number("capacity_mah"), pack.number("current_ma")
        if capacity is None or current is None or abs(current) * 1_000 > capacity * rate:
            return False
        tails += capacity * rate // 1_000
    limit = now.before.get("charge_current_limit_ma")
    return not isinstance(limit, int) or limit >= tails  # else the limit keeps them small


def _may_start_again(now: Reader, cycle: Cycle) -> bool:
    """From absorption: a long dip, or the owner asked."""
    if cycle.dip_ms > (now.stage_number("dip_ends_cycle_ms") or 0):
        return True
    return cycle.asked and _rested(now, cycle)


def _may_restart(now: Reader, cycle: Cycle) -> bool:
    """From float: one of the reasons to charge again, and the least time between two starts."""
    after_ms = now.stage_number("restart_after_ms")
    night_ms = now.stage_number("restart_after_idle_ms")
    below, soc = now.stage_number("restart_below_soc_permille"), now.view.get("soc_permille")
    reasons = (
        cycle.asked,
        after_ms is not None and cycle.float_ms >= after_ms,
        night_ms is not None and cycle.idle_ms >= night_ms,
        below is not None and isinstance(soc, int) and soc < below,
        now.stage_number("restart_below_mv") is not None and cycle.low_ms >= LOW_DWELL_MS,
    )
    return any(reasons) and _rested(now, cycle)


def _rested(now: Reader, cycle: Cycle) -> bool:
    return cycle.since_start_ms >= (now.stage_number("restart_min_interval_ms") or 0)


TRANSITIONS = (
    ("bulk", "absorption", "REQ-STG-01", _may_absorb, "the target was not held for the dwell"),
    ("absorption", "float", "REQ-STG-07", _may_float, "its time was not served"),
    ("absorption", "bulk", "REQ-STG-14", _may_start_again, "no long dip, and nobody asked"),
    ("float", "bulk", "REQ-STG-11", _may_restart, "no reason to charge again, or too soon"),
)


def _elapsed(now: Reader, cycle: Cycle) -> Iterator[Breach]:
    """The time shown never runs backwards within a stage, nor faster than time."""
    got = now.view.get("stage_elapsed_ms")
    if not isinstance(got, int):
        return
    if got < cycle.elapsed_ms:
        text = f"{cycle.stage} had lasted {cycle.elapsed_ms} ms, and now {got} ms"
        least = cycle.elapsed_ms
        yield Breach("REQ-STG-02", now.now_ms, text, "view.stage_elapsed_ms", "ge", least)
    elif cycle.shown == cycle.stage and got > cycle.elapsed_ms + now.dt_ms:
        text = f"{cycle.stage} aged by {got - cycle.elapsed_ms} ms in {now.dt_ms} ms"
        most = cycle.elapsed_ms + now.dt_ms
        yield Breach("REQ-STG-02", now.now_ms, text, "view.stage_elapsed_ms", "le", most)


def _too_long(now: Reader, cycle: Cycle) -> Iterator[Breach]:
    """Absorption ends at most one step after its longest time."""
    longest = now.stage_number("absorption_max_ms")
    if longest is not None and cycle.absorbing_ms - now.dt_ms >= longest:
        text = f"absorption has lasted {cycle.absorbing_ms} ms, at most {longest} are allowed"
        others = ["float", "bulk", "paused"]
        yield Breach("REQ-STG-03", now.now_ms, text, "view.stage", "in", others)


def _enter(cycle: Cycle, stage: str) -> None:
    cycle.stage, cycle.elapsed_ms = stage, 0
    if stage == "bulk":
        cycle.since_start_ms, cycle.asked = 0, False
    elif stage == "absorption":
        cycle.absorbing_ms = cycle.held_ms = cycle.dip_ms = 0
    else:
        cycle.float_ms = cycle.idle_ms = 0
