"""How the least cap wins: the limit is the smallest of what all the rules say.

At a tie the earlier row of the table is named. `why` is the same table, written out, as of the
last step.
"""

from .bank import Bank
from .direction import Direction
from .reference import NO_CAP
from .rules import CURRENT_RULES, VOLTAGE_RULES
from .view import Cap
from .voltage import VoltageSide

PEAK_MS = 15_000  # a charger has 15 to 30 s to follow a limit down before it is found to ignore it


def settle_limits(bank: Bank, dt_ms: int) -> None:
    """Let every limit fall at once, or rise along its ramp; write them into the view."""
    settings = bank.settings
    rise_ms = min(dt_ms, settings.nominal_step_ms)
    refusal_stops = settings.local_refusal_stops_bank
    for side in bank.currents:
        side.local_refusal = refusal_stops and bank.own_pack_refuses(side)
        rate = side.ramps_ma // 10 * settings.ramp_permille_per_s // 100
        held = side.some_late or side.settle_left_ms > 0 or side.path_left_ms > 0
        side.limit.climb(rate, rise_ms, held)
        settle_current(side)
        _keep_peak(side, dt_ms)
    rate = settings.voltage_ramp_mv_per_s
    for voltage in bank.voltages:
        voltage.limit.climb(rate, rise_ms, voltage.some_late)
        settle_voltage(voltage)
    _tell(bank)


def settle_current(side: Direction) -> None:
    """Let every rule say what it allows; set the limit, and whether it is denied."""
    rules = CURRENT_RULES
    caps = side.limit.caps
    for number in range(len(rules)):
        caps[number] = rules[number][1](side)
    side.limit.settle()
    side.denied = side.limit.value == 0 and _denied(caps)
    if side.denied:
        side.dwell_left_ms = side.bank.reenable_ms


def settle_voltage(side: VoltageSide) -> None:
    """Let every rule say what it allows; set the limit."""
    rules = VOLTAGE_RULES
    caps = side.limit.caps
    for number in range(len(rules)):
        caps[number] = rules[number][1](side)
    side.limit.settle()


def _denied(caps: list[int]) -> bool:
    """Is a 0 among the caps a denial?"""
    for number in range(len(caps)):
        if caps[number] == 0 and CURRENT_RULES[number][3]:
            return True
    return False


def _keep_peak(side: Direction, dt_ms: int) -> None:
    """Remember the highest limit of this period and of the one before."""
    side.peak_left_ms -= dt_ms
    if side.peak_left_ms <= 0:
        side.peak_left_ms = PEAK_MS
        side.last_peak_ma = side.peak_ma
        side.peak_ma = 0
    if side.limit.value > side.peak_ma:
        side.peak_ma = side.limit.value


def _tell(bank: Bank) -> None:
    view = bank.view
    names = bank.names
    side = bank.charge
    view.charge_current_limit_ma = side.limit.value
    view.charge_allowed = side.limit.value > 0
    view.charge_current_rule, _, holder, _ = CURRENT_RULES[side.limit.row]
    view.charge_current_pack = pack_named(side, holder, names)
    side = bank.discharge
    view.discharge_current_limit_ma = side.limit.value
    view.discharge_allowed = side.limit.value > 0
    view.discharge_current_rule, _, holder, _ = CURRENT_RULES[side.limit.row]
    view.discharge_current_pack = pack_named(side, holder, names)
    voltage = bank.charge_voltage
    view.charge_voltage_limit_mv = voltage.limit.value
    view.charge_voltage_rule, _, holder, _ = VOLTAGE_RULES[voltage.limit.row]
    view.charge_voltage_pack = pack_named(voltage, holder, names)
    voltage = bank.discharge_voltage
    view.discharge_voltage_limit_mv = -voltage.limit.value
    view.discharge_voltage_rule, _, holder, _ = VOLTAGE_RULES[voltage.limit.row]
    view.discharge_voltage_pack = pack_named(voltage, holder, names)
    view.stage = bank.stages.stage
    view.stage_elapsed_ms = bank.stages.shown_ms()
    view.stage_ends = bank.stages.ends_by
    view.stage_ends_ms = bank.stages.ends_ms


def current_caps(side: Direction, names: list[str]) -> list[Cap]:
    """Every cap on a current [mA] as of the last step, tightest first. `names`: the packs'."""
    return _caps(CURRENT_RULES, side, side.limit.caps, 1, names)


def voltage_caps(side: VoltageSide, names: list[str]) -> list[Cap]:
    """Every cap on a voltage [mV] as of the last step, tightest first."""
    return _caps(VOLTAGE_RULES, side, side.limit.caps, side.sign, names)


def _caps(
    rules: tuple[tuple[str, object, str | None, bool], ...],
    side: object,
    caps: list[int],
    sign: int,
    names: list[str],
) -> list[Cap]:
    found = []
    for number in range(len(rules)):
        name, _, holder, _ = rules[number]
        value = caps[number]
        if value < NO_CAP:
            cap = Cap(sign * value, name, pack_named(side, holder, names))
            found.append((value, number, cap))
    # A total key, value and row number: sorting is not stable everywhere.
    found.sort(key=lambda entry: entry[:2])
    return [entry[2] for entry in found]


def pack_named(side: object, holder: str | None, names: list[str]) -> str | None:
    """Return the name of the pack whose row the side keeps in attribute `holder`."""
    return None if holder is None else names[getattr(side, holder)]
