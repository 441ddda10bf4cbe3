"""The rule tables: every cap there is, for currents and for voltages, and how the least one wins.

Each rule is a small function of one side (a `Direction` or a `VoltageSide`) that reads what the
last survey found and returns the largest value it allows, or NO_CAP. The limit is the smallest of
them; at a tie the earlier row is named. `why` is the same table, written out. A rule never raises
a limit, so adding one is always safe.
"""

from .bank import Bank
from .direction import CURRENT_RULE_COUNT, Direction
from .ramp import climb
from .reference import NO_CAP
from .view import Cap
from .voltage import VOLTAGE_RULE_COUNT, VoltageSide

PEAK_MS = 15_000  # a charger has 15 to 30 s to follow a limit down before it is found to ignore it

# Currents: functions of a Direction. Values in mA, 0 or more.


def owner_stop(side: Direction) -> int:
    """The owner said stop, and has not cleared it."""
    return 0 if side.wish_stop else NO_CAP


def unheard(side: Direction) -> int:
    """A pack is silent and still connected: the bank may do what its settings grant, default 0."""
    return side.granted_ma


def refuses_but_connected(side: Direction) -> int:
    """A pack refuses this direction, and its path is closed or not known to be open."""
    return 0 if side.refuser >= 0 else NO_CAP


def local_refusal(side: Direction) -> int:
    """A pack wired to the board that speaks refuses (setting local_refusal_stops_bank)."""
    return 0 if side.local_refusal else NO_CAP


def current_unknown(side: Direction) -> int:
    """A connected pack does not say its current, and no bus meter tells it."""
    return 0 if side.current_unknown else NO_CAP


def no_path(side: Direction) -> int:
    """No pack that is heard has a path for current in this direction."""
    return 0 if side.tightest < 0 else NO_CAP


def reenable_dwell(side: Direction) -> int:
    """A denial cleared a short while ago; permission waits."""
    return 0 if side.dwell_left_ms > 0 else NO_CAP


def contributions(side: Direction) -> int:
    """The sum of what the packs that count may take."""
    return side.contributions_ma


def headroom(side: Direction) -> int:
    """Present total plus the room of the tightest pack, which might get every extra ampere."""
    return side.headroom_ma


def pack_loss(side: Direction) -> int:
    """What the rest could carry if any one pack opened (setting survive_pack_loss)."""
    return side.loss_ma


def bank_ceiling(side: Direction) -> int:
    """The installer's ceiling for the whole bank."""
    ceiling_ma = side.bank_ceiling_ma()
    return NO_CAP if ceiling_ma is None else ceiling_ma


def owner_cap(side: Direction) -> int:
    """The owner asked for no more."""
    return side.wish_ma


def owner_soc(side: Direction) -> int:
    """The owner's state-of-charge window is used up: full enough, or down to the reserve."""
    return 0 if side.wish_soc else NO_CAP


def late_no_rise(side: Direction) -> int:
    """A pack's reading is late: nothing rises."""
    return side.previous if side.some_late else NO_CAP


def settling_no_rise(side: Direction) -> int:
    """A pack was above its limit a short while ago: nothing rises."""
    return side.previous if side.settle_left_ms > 0 else NO_CAP


def path_no_rise(side: Direction) -> int:
    """A path opened or closed a short while ago: nothing rises."""
    return side.previous if side.path_left_ms > 0 else NO_CAP


def ramp(side: Direction) -> int:
    """A limit falls at once and rises slowly."""
    return side.ramp_to


# name, rule, the attribute that holds the pack's row (or None), does a 0 mean "denied"?
CURRENT_RULES = (
    ("owner_stop", owner_stop, None, True),
    ("unheard", unheard, "unheard", True),
    ("refuses_but_connected", refuses_but_connected, "refuser", True),
    ("local_refusal", local_refusal, None, True),
    ("current_unknown", current_unknown, None, True),
    ("no_path", no_path, None, True),
    ("reenable_dwell", reenable_dwell, None, False),
    ("contributions", contributions, None, False),
    ("headroom", headroom, "tightest", False),
    ("pack_loss", pack_loss, None, False),
    ("bank_ceiling", bank_ceiling, None, False),
    ("owner_cap", owner_cap, None, False),
    ("owner_soc", owner_soc, None, False),
    ("late_no_rise", late_no_rise, None, False),
    ("settling_no_rise", settling_no_rise, None, False),
    ("path_no_rise", path_no_rise, None, False),
    ("ramp", ramp, None, False),
)

# Voltages: functions of a VoltageSide. Signed mV: for discharge the largest voltage wins.


def own_limit(side: VoltageSide) -> int:
    """The pack's own limit: packs in parallel share one voltage."""
    return side.tightest_own_mv


def ceiling(side: VoltageSide) -> int:
    """The installer's bound for the bank."""
    return side.end_mv()


def limp(side: VoltageSide) -> int:
    """A pack is silent and still connected: a voltage at which it takes (gives) next to nothing."""
    return side.limp_mv() if side.silent_pack >= 0 else NO_CAP


def extreme_cell(side: VoltageSide) -> int:
    """Every extra millivolt might land in the highest (lowest) cell."""
    return side.tightest_cell_mv


def stage_target(side: VoltageSide) -> int:
    """What the stage of the daily charge asks for; falls along a slope."""
    return NO_CAP if side.stage.value is None else side.stage.value


def owner_voltage_cap(side: VoltageSide) -> int:
    """The owner asked for no more; falls along a slope."""
    return NO_CAP if side.wish.value is None else side.wish.value


def voltage_late_no_rise(side: VoltageSide) -> int:
    """A pack's reading is late: nothing rises."""
    return side.previous if side.some_late else NO_CAP


def voltage_ramp(side: VoltageSide) -> int:
    """A limit falls at once and rises slowly."""
    return side.ramp_to


VOLTAGE_RULES = (
    ("own_limit", own_limit, "own_pack", False),
    ("ceiling", ceiling, None, False),
    ("limp", limp, "silent_pack", False),
    ("extreme_cell", extreme_cell, "cell_pack", False),
    ("stage_target", stage_target, None, False),
    ("owner_voltage_cap", owner_voltage_cap, None, False),
    ("voltage_late_no_rise", voltage_late_no_rise, None, False),
    ("voltage_ramp", voltage_ramp, None, False),
)


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
