"""Every cap there is: the rule tables for currents and for voltages.

Each rule is a small function of one side (a `Direction` or a `VoltageSide`) that reads what the
last survey found and returns the largest value it allows, or NO_CAP. A rule never raises a limit,
so adding one is always safe. How the least one wins: limits.py.
"""

from .direction import Direction
from .reference import NO_CAP
from .voltage import VoltageSide

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
    return side.ceiling_ma


def owner_cap(side: Direction) -> int:
    """The owner asked for no more."""
    return side.wish_ma


def owner_soc(side: Direction) -> int:
    """The owner's state-of-charge window is used up: full enough, or down to the reserve."""
    return 0 if side.wish_soc else NO_CAP


def late_no_rise(side: Direction) -> int:
    """A pack's reading is late: nothing rises."""
    return side.limit.previous if side.some_late else NO_CAP


def settling_no_rise(side: Direction) -> int:
    """A pack was above its limit a short while ago: nothing rises."""
    return side.limit.previous if side.settle_left_ms > 0 else NO_CAP


def path_no_rise(side: Direction) -> int:
    """A path opened or closed a short while ago: nothing rises."""
    return side.limit.previous if side.path_left_ms > 0 else NO_CAP


def ramp(side: Direction) -> int:
    """A limit falls at once and rises slowly."""
    return side.limit.ramp_to


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
    return side.end_mv


def limp(side: VoltageSide) -> int:
    """A pack is silent and still connected: a voltage at which it takes (gives) next to nothing."""
    return side.limp_mv if side.unheard_pack >= 0 else NO_CAP


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
    return side.limit.previous if side.some_late else NO_CAP


def voltage_ramp(side: VoltageSide) -> int:
    """A limit falls at once and rises slowly."""
    return side.limit.ramp_to


VOLTAGE_RULES = (
    ("own_limit", own_limit, "own_pack", False),
    ("ceiling", ceiling, None, False),
    ("limp", limp, "unheard_pack", False),
    ("extreme_cell", extreme_cell, "cell_pack", False),
    ("stage_target", stage_target, None, False),
    ("owner_voltage_cap", owner_voltage_cap, None, False),
    ("voltage_late_no_rise", voltage_late_no_rise, None, False),
    ("voltage_ramp", voltage_ramp, None, False),
)
