"""What the two voltage limits may be after each step. Bounds only, mirrored for discharge."""

from collections.abc import Iterator

from conformance.oracle.breach import Breach, above, below, differs
from conformance.oracle.exact import Exact, ratio
from conformance.oracle.reader import Reader
from conformance.oracle.site import REMOVED, UNHEARD

CELL_GAIN = 4  # mV of pack voltage for each mV that the extreme cell is away from its end
LONGEST_FALL_MS = 60_000  # one step lets a soft target fall no further than this

Cap = tuple[str, Exact, str]


def voltages(now: Reader) -> Iterator[Breach]:
    """Yield every voltage limit that is beyond what it may be."""
    for field, caps, beyond, sign in (
        ("charge_voltage_limit_mv", _charge_caps, above, 1),
        ("discharge_voltage_limit_mv", _discharge_floors, below, -1),
    ):
        got = now.view.get(field)
        if not isinstance(got, int) or isinstance(got, bool) or got < 0:
            yield differs("REQ-PRO-07", now.now_ms, field, got, "an integer, 0 or more")
            continue
        for requirement, bound, why in caps(now):
            if sign * got > sign * bound:
                yield beyond(requirement, now.now_ms, field, got, bound, why)


def _charge_caps(now: Reader) -> Iterator[Cap]:
    settings = now.settings
    assert settings is not None
    yield "REQ-LIM-02", settings.charge_voltage_ceiling_mv, "the installer's ceiling"
    for pack in now.packs:
        own, volt, cell = (
            pack.number(name) for name in ("charge_voltage_limit_mv", "voltage_mv", "cell_max_mv")
        )
        if pack.presence == REMOVED:
            continue
        if own is not None:
            yield "REQ-LIM-02", own, f"{pack.name}'s own limit"
        if volt is not None and cell is not None:
            room = volt + CELL_GAIN * (pack.settings.cell_ceiling_mv - cell)
            yield "REQ-LIM-14", max(0, room), f"{pack.name}'s highest cell"
    silent = now.some(UNHEARD)
    limp = settings.limp_voltage_mv
    if silent:
        yield "REQ-SIL-09", limp, f"{silent[0].name} is silent"
    last = now.before.get("charge_voltage_limit_mv")
    before = last if isinstance(last, int) else limp
    if now.late():
        yield "REQ-SIL-02", before, "a reading is late: nothing rises"
    yield "REQ-LIM-16", before + _rise(now), "a limit rises slowly"
    gone_ms = min(now.dt_ms, LONGEST_FALL_MS) if now.before else 0  # nothing falls before a step
    fall = ratio(gone_ms * settings.voltage_slope_mv_per_s, 1_000)
    wishes = now.wished("cap_charge_voltage")
    now.soft_wish = _soft(now.soft_wish, before, min(wishes), fall) if wishes else None
    if now.soft_wish is not None:
        yield "REQ-WSH-01", now.soft_wish + 1, "the owner asked for no more"
    target = _stage_target(now)
    if target is not None:
        now.soft_stage = _soft(now.soft_stage, target, target, fall)
        yield "REQ-STG-06", now.soft_stage + 1, f"the target of {now.cycle.stage}"


def _discharge_floors(now: Reader) -> Iterator[Cap]:
    settings = now.settings
    assert settings is not None
    yield "REQ-LIM-03", settings.discharge_voltage_floor_mv, "the installer's floor"
    for pack in now.packs:
        own, volt, cell = (
            pack.number(name)
            for name in ("discharge_voltage_limit_mv", "voltage_mv", "cell_min_mv")
        )
        if pack.presence == REMOVED:
            continue
        if own is not None:
            yield "REQ-LIM-03", own, f"{pack.name}'s own limit"
        if volt is not None and cell is not None:
            room = volt - CELL_GAIN * (cell - pack.settings.cell_floor_mv)
            yield "REQ-LIM-14", room, f"{pack.name}'s lowest cell"
    silent = now.some(UNHEARD)
    limp = settings.limp_low_voltage_mv
    if silent:
        yield "REQ-SIL-09", limp, f"{silent[0].name} is silent"
    last = now.before.get("discharge_voltage_limit_mv")
    before = last if isinstance(last, int) else limp
    if now.late():
        yield "REQ-SIL-02", before, "a reading is late: nothing opens further"
    yield "REQ-LIM-16", before - _rise(now), "a limit opens slowly"


def _rise(now: Reader) -> Exact:
    assert now.settings is not None
    span_ms = min(now.dt_ms, now.settings.nominal_step_ms)
    return ratio(span_ms * now.settings.voltage_ramp_mv_per_s, 1_000) + 1


def _soft(soft: Exact | None, start: Exact, target: int, fall: Exact) -> Exact:
    """Return a target without hurry after a step: it falls along a slope, and rises at once."""
    soft = max(target, start) if soft is None else soft
    return max(target, soft - fall)


def _stage_target(now: Reader) -> int | None:
    """Return what the stage asks for; None: the target does not show a stage."""
    absorption, floating = now.stage_number("absorption_mv"), now.stage_number("float_mv")
    if now.view.get("stage") is None or absorption is None or floating is None:
        return None
    return min(floating, absorption - 1) if now.cycle.stage == "float" else absorption
