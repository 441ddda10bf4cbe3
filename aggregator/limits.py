"""How the least cap wins: the limit is the smallest of what all the rules say.

At a tie the earlier row of the table is named. `why` is the same table, written out, as of the
last step.
"""

from .bank import Bank
from .direction import CURRENT_RULE_COUNT, Direction
from .ramp import climb
from .reference import NO_CAP
from .rules import CURRENT_RULES, VOLTAGE_RULES
from .view import Cap
from .voltage import VOLTAGE_RULE_COUNT, VoltageSide

PEAK_MS = 15_000  # a charger has 15 to 30 s to follow a limit down before it is found to ignore it


def settle_current(side: Direction) -> None:
    """Set the limit of one direction of current, and whether it is denied."""
    least = NO_CAP
    row = 0
    number = 0
    denied = False
    for _, rule, _, denies in CURRENT_RULES:
        value = rule(side)
        side.caps_ma[number] = value
        if value < least:
            least = value
            row = number
        if denies and value <= 0:
            denied = True
        number += 1
    side.value = least
    side.rule = row
    side.denied = denied
    if denied:
        side.dwell_left_ms = side.bank.reenable_ms
    if row != CURRENT_RULE_COUNT - 1:
        side.carry = 0  # something other than the ramp, its last row, holds the limit
    if least > side.peak_ma:
        side.peak_ma = least


def settle_voltage(side: VoltageSide) -> None:
    """Set one voltage limit."""
    least = NO_CAP
    row = 0
    number = 0
    for _, rule, _, _ in VOLTAGE_RULES:
        value = rule(side)
        side.caps_mv[number] = value
        if value < least:
            least = value
            row = number
        number += 1
    side.value = least
    side.rule = row
    if row != VOLTAGE_RULE_COUNT - 1:
        side.carry = 0


def settle_limits(bank: Bank, dt_ms: int) -> None:
    """Let every limit fall at once, or rise along its ramp; write them into the view."""
    settings = bank.settings
    nominal_ms = settings.nominal_step_ms
    late = sum(bank.merge.late) > 0
    for side in bank.currents:
        side.local_refusal = bank.local_refusal(side)
        rate = sum(side.ramp_ma) // 10 * settings.ramp_permille_per_s // 100
        held = late or side.settle_left_ms > 0 or side.path_left_ms > 0
        side.peak_left_ms -= dt_ms
        if side.peak_left_ms <= 0:
            side.peak_left_ms = PEAK_MS
            side.last_peak_ma = side.peak_ma
            side.peak_ma = 0
        climb(side, rate, dt_ms, nominal_ms, held)
        settle_current(side)
    for voltage in bank.voltages:
        voltage.some_late = late
        climb(voltage, settings.voltage_ramp_mv_per_s, dt_ms, nominal_ms, late)
        settle_voltage(voltage)
    _tell(bank)


def _tell(bank: Bank) -> None:
    view = bank.view
    names = bank.names
    view.charge_current_limit_ma = bank.charge.value
    view.charge_allowed = bank.charge.value > 0
    name, _, holder, _ = CURRENT_RULES[bank.charge.rule]
    view.charge_current_rule = name
    view.charge_current_pack = pack_named(bank.charge, holder, names)
    view.discharge_current_limit_ma = bank.discharge.value
    view.discharge_allowed = bank.discharge.value > 0
    name, _, holder, _ = CURRENT_RULES[bank.discharge.rule]
    view.discharge_current_rule = name
    view.discharge_current_pack = pack_named(bank.discharge, holder, names)
    view.charge_voltage_limit_mv = bank.charge_voltage.value
    name, _, holder, _ = VOLTAGE_RULES[bank.charge_voltage.rule]
    view.charge_voltage_rule = name
    view.charge_voltage_pack = pack_named(bank.charge_voltage, holder, names)
    view.discharge_voltage_limit_mv = -bank.discharge_voltage.value
    name, _, holder, _ = VOLTAGE_RULES[bank.discharge_voltage.rule]
    view.discharge_voltage_rule = name
    view.discharge_voltage_pack = pack_named(bank.discharge_voltage, holder, names)
    view.stage = bank.stages.stage
    view.stage_elapsed_ms = bank.stages.shown_ms()
    view.stage_ends = bank.stages.ends_by
    view.stage_ends_ms = bank.stages.ends_ms


def current_caps(side: Direction, names: list[str]) -> list[Cap]:
    """Every cap on a current [mA] as of the last step, tightest first. `names`: the packs'."""
    found = []
    for number in range(len(CURRENT_RULES)):
        name, _, holder, _ = CURRENT_RULES[number]
        value = side.caps_ma[number]
        if value < NO_CAP:
            found.append((value, number, Cap(value, name, pack_named(side, holder, names))))
    return _in_order(found)


def voltage_caps(side: VoltageSide, names: list[str]) -> list[Cap]:
    """Every cap on a voltage [mV] as of the last step, tightest first."""
    found = []
    for number in range(len(VOLTAGE_RULES)):
        name, _, holder, _ = VOLTAGE_RULES[number]
        value = side.caps_mv[number]
        if value < NO_CAP:
            cap = Cap(side.sign * value, name, pack_named(side, holder, names))
            found.append((value, number, cap))
    return _in_order(found)


def pack_named(side: object, holder: str | None, names: list[str]) -> str | None:
    """Return the name of the pack whose row the side keeps in attribute `holder`."""
    row = -1 if holder is None else getattr(side, holder)
    return names[row] if row >= 0 else None


def _in_order(found: list[tuple[int, int, Cap]]) -> list[Cap]:
    # A total key, value and row number: sorting is not stable everywhere.
    found.sort(key=lambda entry: entry[:2])
    return [entry[2] for entry in found]
