"""What one pack says (`PackReport`) and what a meter on the common bus says (`BusReport`).

A report is a plain carrier that an adapter may reuse; it checks nothing itself. `check_report`
finds the first thing that cannot be true. A bad report is refused whole: half a reading is not a
reading. Charge current is positive. None means unknown; it is never a number in disguise.
"""

from .errors import Refusal

SAMPLE_MODULO = 65536
LONGEST_MS = 432_000_000  # 120 h, see ticks.py
MOST_CELLS = 32
ID_LENGTH = 16

# The integer fields of a report: name, lowest, highest. The comment is the documentation.
REPORT_INTS = (
    ("sample", 0, 65_535),  # counts new readings, modulo 65536; a repeat refreshes nothing
    ("age_ms", 0, LONGEST_MS),  # age of the reading when it is handed over; None: just taken
    ("voltage_mv", 0, 150_000),  # at the pack's terminals or its cell stack
    ("current_ma", -1_000_000, 1_000_000),  # positive: into the pack
    ("cell_min_mv", 0, 5_000),  # lowest cell
    ("cell_max_mv", 0, 5_000),  # highest cell
    ("cell_min_no", 1, 255),  # number of the lowest cell, from 1
    ("cell_max_no", 1, 255),  # number of the highest cell, from 1
    ("cell_count", 1, MOST_CELLS),  # cells in series; must match the bank's setting
    ("temperature_min_decic", -500, 1_500),  # coldest sensor, 0.1 °C
    ("temperature_max_decic", -500, 1_500),  # hottest sensor, 0.1 °C
    ("soc_permille", 0, 1_000),  # state of charge
    ("soh_permille", 0, 1_000),  # state of health
    ("capacity_mah", 1, 2_000_000),  # present full capacity
    ("charge_voltage_limit_mv", 0, 150_000),  # the pack's own
    ("discharge_voltage_limit_mv", 0, 150_000),  # the pack's own
    ("charge_current_limit_ma", 0, 1_000_000),  # the pack's own, a magnitude
    ("discharge_current_limit_ma", 0, 1_000_000),  # the pack's own, a magnitude
)

# The yes/no fields; None: the board does not say.
REPORT_FLAGS = (
    "charge_allowed",  # the board permits charging
    "discharge_allowed",  # the board permits discharging
    "charge_path_closed",  # current can flow in; beats the setting opens_path_on_refusal
    "discharge_path_closed",  # current can flow out
    "balancing",  # the balancer is at work
)

# Lists: name, lowest and highest of an element, and the two extremes taken from it if unknown.
REPORT_LISTS = (
    ("cells_mv", 0, 5_000, "cell_min_mv", "cell_max_mv"),  # every cell, in order
    (
        "temperatures_decic",
        -500,
        1_500,
        "temperature_min_decic",
        "temperature_max_decic",
    ),  # sensors
)

# Pairs that must be in order when both are known.
REPORT_ORDERED = (
    ("cell_min_mv", "cell_max_mv"),
    ("temperature_min_decic", "temperature_max_decic"),
)

# Warnings and protections are sets over this table; the bit numbers are private.
ALARMS = (
    "board_over_temperature",
    "cell_imbalance",
    "cell_over_voltage",
    "cell_under_voltage",
    "charge_over_current",
    "charge_over_temperature",
    "charge_under_temperature",
    "discharge_over_current",
    "discharge_over_temperature",
    "discharge_under_temperature",
    "internal_fault",
    "other",
    "pack_over_voltage",
    "pack_under_voltage",
    "short_circuit",
)

BUS_INTS = (
    ("sample", 0, 65_535),  # counts new readings, modulo 65536
    ("age_ms", 0, LONGEST_MS),  # age of the reading when it is handed over
    ("voltage_mv", 0, 150_000),  # of the common bus
    ("current_ma", -32_000_000, 32_000_000),  # into all packs together, positive: charging
)


class PackReport:
    """One reading of one pack. Every field but `pack` and `sample` may be None (unknown).

    Units and ranges: the tables REPORT_INTS, REPORT_FLAGS and REPORT_LISTS above; `warnings` and
    `protections` are lists, tuples or sets of names from ALARMS. Raises nothing: `accept` checks.
    """

    __slots__ = (
        "age_ms",
        "balancing",
        "capacity_mah",
        "cell_count",
        "cell_max_mv",
        "cell_max_no",
        "cell_min_mv",
        "cell_min_no",
        "cells_mv",
        "charge_allowed",
        "charge_current_limit_ma",
        "charge_path_closed",
        "charge_voltage_limit_mv",
        "current_ma",
        "discharge_allowed",
        "discharge_current_limit_ma",
        "discharge_path_closed",
        "discharge_voltage_limit_mv",
        "pack",
        "protections",
        "sample",
        "soc_permille",
        "soh_permille",
        "temperature_max_decic",
        "temperature_min_decic",
        "temperatures_decic",
        "voltage_mv",
        "warnings",
    )

    def __init__(
        self,
        pack: str,
        sample: int,
        *,
        age_ms: int | None = None,
        voltage_mv: int | None = None,
        current_ma: int | None = None,
        cell_min_mv: int | None = None,
        cell_max_mv: int | None = None,
        cell_min_no: int | None = None,
        cell_max_no: int | None = None,
        cell_count: int | None = None,
        cells_mv: list[int] | tuple[int, ...] | None = None,
        temperature_min_decic: int | None = None,
        temperature_max_decic: int | None = None,
        temperatures_decic: list[int] | tuple[int, ...] | None = None,
        soc_permille: int | None = None,
        soh_permille: int | None = None,
        capacity_mah: int | None = None,
        charge_allowed: bool | None = None,
        discharge_allowed: bool | None = None,
        charge_path_closed: bool | None = None,
        discharge_path_closed: bool | None = None,
        charge_voltage_limit_mv: int | None = None,
        discharge_voltage_limit_mv: int | None = None,
        charge_current_limit_ma: int | None = None,
        discharge_current_limit_ma: int | None = None,
        balancing: bool | None = None,
        warnings: list[str] | tuple[str, ...] | set[str] | None = None,
        protections: list[str] | tuple[str, ...] | set[str] | None = None,
    ) -> None:
        self.pack = pack
        self.sample = sample
        self.age_ms = age_ms
        self.voltage_mv = voltage_mv
        self.current_ma = current_ma
        self.cell_min_mv = cell_min_mv
        self.cell_max_mv = cell_max_mv
        self.cell_min_no = cell_min_no
        self.cell_max_no = cell_max_no
        self.cell_count = cell_count
        self.cells_mv = cells_mv
        self.temperature_min_decic = temperature_min_decic
        self.temperature_max_decic = temperature_max_decic
        self.temperatures_decic = temperatures_decic
        self.soc_permille = soc_permille
        self.soh_permille = soh_permille
        self.capacity_mah = capacity_mah
        self.charge_allowed = charge_allowed
        self.discharge_allowed = discharge_allowed
        self.charge_path_closed = charge_path_closed
        self.discharge_path_closed = discharge_path_closed
        self.charge_voltage_limit_mv = charge_voltage_limit_mv
        self.discharge_voltage_limit_mv = discharge_voltage_limit_mv
        self.charge_current_limit_ma = charge_current_limit_ma
        self.discharge_current_limit_ma = discharge_current_limit_ma
        self.balancing = balancing
        self.warnings = warnings
        self.protections = protections


class BusReport:
    """One reading of a shunt or meter on the common bus: `sample`, `age_ms`, `voltage_mv`,
    `current_ma` (into all packs together). Ranges: the table BUS_INTS."""

    __slots__ = ("age_ms", "current_ma", "sample", "voltage_mv")

    def __init__(
        self,
        sample: int,
        *,
        age_ms: int | None = None,
        voltage_mv: int | None = None,
        current_ma: int | None = None,
    ) -> None:
        self.sample = sample
        self.age_ms = age_ms
        self.voltage_mv = voltage_mv
        self.current_ma = current_ma


def bad_id(value: object) -> Refusal | None:
    """Say why `value` cannot be a pack's name (1..16 characters of a-z, 0-9 and -), or None."""
    if isinstance(value, str) and 0 < len(value) <= ID_LENGTH:
        for c in value:
            if not ("a" <= c <= "z" or "0" <= c <= "9" or c == "-"):
                break
        else:
            return None
    return Refusal("pack", "1..16 characters of a-z 0-9 -", value)


def bad_int(record: object, table: tuple[tuple[str, int, int], ...]) -> Refusal | None:
    """Say which integer field of `record` is out of its range or of another type, or None."""
    for name, low, high in table:
        value = getattr(record, name, None)
        if value is not None and (type(value) is not int or value < low or value > high):
            return Refusal(name, str(low) + ".." + str(high) + " or null", value)
    return None


def alarm_bits(names: object) -> int:
    """Return the names as bits; -1 if `names` is not a list, tuple or set of names in ALARMS."""
    if names is None:
        return 0
    if type(names) is not list and type(names) is not tuple and type(names) is not set:
        return -1
    bits = 0
    for name in names:
        if type(name) is not str or name not in ALARMS:
            return -1
        bits |= 1 << ALARMS.index(name)
    return bits


def alarm_names(bits: int) -> tuple[str, ...]:
    """Return the names behind `bits`, in alphabetical order."""
    return tuple([name for bit, name in enumerate(ALARMS) if bits >> bit & 1])


def check_report(report: PackReport, cell_count: int) -> Refusal | None:
    """Say what in a report cannot be true, or None. `cell_count`: the bank's cells in series."""
    if report.sample is None:
        return Refusal("sample", "0..65535", None)
    refusal = bad_int(report, REPORT_INTS)
    if refusal is not None:
        return refusal
    for name in REPORT_FLAGS:
        flag = getattr(report, name, None)
        if flag is not None and flag is not True and flag is not False:
            return Refusal(name, "true, false or null", flag)
    if report.cell_count is not None and report.cell_count != cell_count:
        return Refusal("cell_count", str(cell_count) + ", as in the settings", report.cell_count)
    if report.warnings is not None and alarm_bits(report.warnings) < 0:
        return Refusal("warnings", "names from the alarm table or null", report.warnings)
    if report.protections is not None and alarm_bits(report.protections) < 0:
        return Refusal("protections", "names from the alarm table or null", report.protections)
    if report.cells_mv is not None or report.temperatures_decic is not None:
        refusal = _bad_list(report, cell_count)
        if refusal is not None:
            return refusal
    for lower, upper in REPORT_ORDERED:
        low = getattr(report, lower)
        high = getattr(report, upper)
        if low is not None and high is not None and low > high:
            return Refusal(lower, "at most " + upper + " (" + str(high) + ")", low)
    return None


def _bad_list(report: PackReport, cell_count: int) -> Refusal | None:
    """Check the lists: elements in range, the extremes not contradicted."""
    for name, low, high, lower, upper in REPORT_LISTS:
        values = getattr(report, name)
        if values is None:
            continue
        if (type(values) is not list and type(values) is not tuple) or not 0 < len(values) <= 255:
            return Refusal(name, "a list of integers or null", values)
        for value in values:
            if type(value) is not int or value < low or value > high:
                return Refusal(name, "a list of integers in " + str(low) + ".." + str(high), value)
        if name == "cells_mv" and len(values) != cell_count:
            return Refusal(name, "a list of " + str(cell_count) + " cells", len(values))
        stated = getattr(report, lower)
        if stated is not None and stated > min(values):
            return Refusal(lower, "at most the least of " + name, stated)
        stated = getattr(report, upper)
        if stated is not None and stated < max(values):
            return Refusal(upper, "at least the greatest of " + name, stated)
    return None
