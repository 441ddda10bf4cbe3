"""Which metrics there are: the bank, its packs and what each reads, its findings, the links; each in
base units.

Volts, amperes, watts, degrees Celsius, seconds, ratios of 1, and coulombs for charge (an
ampere-hour is 3600). What is unknown has no sample. Charge current is positive.
"""

from collections.abc import Sequence

from adapters.links import Link
from adapters.openmetrics.text import Family, Sample, decimal
from adapters.readings import Readings
from aggregator import PackReport, PackRow, SystemView

PREFIX = "packyoke_"
NONE: dict[str, str] = {}

# Name without prefix and unit, unit, the core's field, its decimals in that unit, help.
Row = tuple[str, str, str, int, str]
BANK: tuple[Row, ...] = (
    ("voltage", "volts", "voltage_mv", 3, "Mean voltage of the packs that are heard."),
    ("lowest_pack_voltage", "volts", "voltage_min_mv", 3, "Lowest voltage of a pack."),
    ("highest_pack_voltage", "volts", "voltage_max_mv", 3, "Highest voltage of a pack."),
    ("current", "amperes", "current_ma", 3, "Current into all packs."),
    ("power", "watts", "power_w", 0, "Power into all packs."),
    ("charge", "ratio", "soc_permille", 3, "State of charge, weighted by capacity."),
    ("lowest_charge", "ratio", "soc_min_permille", 3, "Lowest state of charge of a pack."),
    ("highest_charge", "ratio", "soc_max_permille", 3, "Highest state of charge of a pack."),
    ("health", "ratio", "soh_permille", 3, "Lowest state of health of a pack."),
    ("lowest_cell_voltage", "volts", "cell_min_mv", 3, "Lowest cell of all packs."),
    ("highest_cell_voltage", "volts", "cell_max_mv", 3, "Highest cell of all packs."),
    ("lowest_temperature", "celsius", "temperature_min_decic", 1, "Coldest sensor."),
    ("highest_temperature", "celsius", "temperature_max_decic", 1, "Hottest sensor."),
    ("stage_elapsed", "seconds", "stage_elapsed_ms", 3, "Time since the stage was entered."),
    ("charge_voltage_limit", "volts", "charge_voltage_limit_mv", 3, "Chargers: not above."),
    ("discharge_voltage_limit", "volts", "discharge_voltage_limit_mv", 3, "Loads: not below."),
    ("charge_current_limit", "amperes", "charge_current_limit_ma", 3, "Into all packs, at most."),
    ("discharge_current_limit", "amperes", "discharge_current_limit_ma", 3, "Out of all packs, at most."),
)  # fmt: skip
AMOUNTS = (
    ("capacity", "capacity_mah", "Present full capacity of all packs."),
    ("remaining", "remaining_mah", "Charge left in all packs."),
)
FLAGS = (
    ("charge_allowed", "charge_allowed", "1: charging is allowed."),
    ("discharge_allowed", "discharge_allowed", "1: discharging is allowed."),
    ("incomplete", "partial", "1: a pack is missing from these numbers."),
    ("speaking", "may_speak", "1: this board speaks to the chargers."),
)
PACK: tuple[Row, ...] = (
    ("pack_charge_contribution", "amperes", "charge_contribution_ma", 3, "What a pack adds to the charge limit."),
    ("pack_discharge_contribution", "amperes", "discharge_contribution_ma", 3, "What a pack adds to the discharge limit."),
    ("pack_share", "ratio", "share_permille", 3, "Learned share of extra current that flows into a pack."),
)  # fmt: skip
# What a pack reads, in the same way.
READING: tuple[Row, ...] = (
    ("pack_voltage", "volts", "voltage_mv", 3, "Voltage of a pack."),
    ("pack_current", "amperes", "current_ma", 3, "Current into a pack."),
    ("pack_charge", "ratio", "soc_permille", 3, "State of charge of a pack."),
    ("pack_health", "ratio", "soh_permille", 3, "State of health of a pack."),
    ("pack_lowest_cell_voltage", "volts", "cell_min_mv", 3, "Lowest cell of a pack."),
    ("pack_highest_cell_voltage", "volts", "cell_max_mv", 3, "Highest cell of a pack."),
    ("pack_lowest_cell_number", "", "cell_min_no", 0, "Which cell is the lowest, from 1."),
    ("pack_highest_cell_number", "", "cell_max_no", 0, "Which cell is the highest, from 1."),
    ("pack_lowest_temperature", "celsius", "temperature_min_decic", 1, "Coldest sensor of a pack."),
    ("pack_highest_temperature", "celsius", "temperature_max_decic", 1, "Hottest sensor of a pack."),
    ("pack_charge_voltage_limit", "volts", "charge_voltage_limit_mv", 3, "A pack's own: not above."),
    ("pack_discharge_voltage_limit", "volts", "discharge_voltage_limit_mv", 3, "A pack's own: not below."),
    ("pack_charge_current_limit", "amperes", "charge_current_limit_ma", 3, "A pack's own: into it, at most."),
    ("pack_discharge_current_limit", "amperes", "discharge_current_limit_ma", 3, "A pack's own: out of it, at most."),
    ("pack_charge_allowed", "", "charge_allowed", 0, "1: a pack's own board permits charging."),
    ("pack_discharge_allowed", "", "discharge_allowed", 0, "1: a pack's own board permits discharging."),
    ("pack_charge_path", "", "charge_path_closed", 0, "1: current can flow into a pack."),
    ("pack_discharge_path", "", "discharge_path_closed", 0, "1: current can flow out of a pack."),
    ("pack_balancing", "", "balancing", 0, "1: a pack's balancer is at work."),
)  # fmt: skip
STAGES = ("bulk", "absorption", "float", "paused")
PRESENCES = ("live", "late", "unheard", "removed")
LIMITS = ("charge_voltage", "discharge_voltage", "charge_current", "discharge_current")
LINK_COUNTS = ("received", "refused", "sent", "dropped")

Told = list[tuple[Family, Sequence[Sample]]]


def families(view: SystemView, readings: Readings, links: Sequence[Link] = ()) -> Told:
    """Return everything that is told of a bank, its packs and its links."""
    found = [(row.pack, readings.now(row)) for row in view.packs]
    there = [(pack, reading) for pack, reading in found if reading is not None]
    return [
        *_bank(view), *_packs(view.packs), *_readings(there), *_told(view), *_links(links)
    ]  # fmt: skip


def _gauge(name: str, unit: str, text: str) -> Family:
    return Family(f"{PREFIX}{name}_{unit}" if unit else PREFIX + name, "gauge", text, unit)


def _bank(view: SystemView) -> Told:
    told: Told = []
    for name, unit, field, digits, text in BANK:
        value = getattr(view, field)
        samples = [] if value is None else [(NONE, decimal(value, digits))]
        told.append((_gauge(name, unit, text), samples))
    for name, field, text in AMOUNTS:
        value = getattr(view, field)
        samples = [] if value is None else [(NONE, decimal(value * 36, 1))]  # 1 mAh is 3.6 C
        told.append((_gauge(name, "coulombs", text), samples))
    for name, field, text in FLAGS:
        told.append((_gauge(name, "", text), [(NONE, str(int(getattr(view, field))))]))
    stage = Family(PREFIX + "stage", "stateset", "Stage of the charge.")
    told.append((stage, [({stage.name: one}, str(int(view.stage == one))) for one in STAGES]))
    return told


def _of_each(row: Row, packs: Sequence[tuple[str, object]]) -> tuple[Family, Sequence[Sample]]:
    """Return the family of a field with a sample for each pack where it is known."""
    name, unit, field, digits, text = row
    known = [(pack, getattr(record, field)) for pack, record in packs]
    samples = [
        ({"pack": pack}, decimal(value, digits)) for pack, value in known if value is not None
    ]
    return _gauge(name, unit, text), samples


def _packs(rows: Sequence[PackRow]) -> Told:
    named = [(row.pack, row) for row in rows]
    told = [_of_each(row, named) for row in PACK]
    presence = Family(PREFIX + "pack_presence", "stateset", "Is a pack there?")
    states = [
        ({"pack": row.pack, presence.name: one}, str(int(row.presence == one)))
        for row in rows
        for one in PRESENCES
    ]
    return [*told, (presence, states)]


def _readings(packs: Sequence[tuple[str, PackReport]]) -> Told:
    """What each pack reads that is there."""
    told = [_of_each(row, packs) for row in READING]
    capacities = [(pack, reading.capacity_mah) for pack, reading in packs]
    charges = [
        ({"pack": pack}, decimal(mah * 36, 1)) for pack, mah in capacities if mah is not None
    ]
    told.append((_gauge("pack_capacity", "coulombs", "Present full capacity of a pack."), charges))
    alarms = [
        ({"pack": pack, "alarm": alarm, "kind": kind}, "1")
        for pack, reading in packs
        for kind, found in (("warning", reading.warnings), ("protection", reading.protections))
        for alarm in found or ()
    ]
    return [*told, (_gauge("pack_alarm", "", "A warning or protection of a pack."), alarms)]


def _told(view: SystemView) -> Told:
    """What binds, what is found, what was refused."""
    rules = [
        (limit, getattr(view, limit + "_rule"), getattr(view, limit + "_pack")) for limit in LIMITS
    ]
    binding = [
        ({"limit": limit, "rule": rule, "pack": pack or ""}, "1") for limit, rule, pack in rules
    ]
    found = [({"finding": one.name, "pack": one.pack or ""}, "1") for one in view.findings]
    alarms = [({"alarm": one, "kind": "warning"}, "1") for one in view.warnings]
    alarms += [({"alarm": one, "kind": "protection"}, "1") for one in view.protections]
    return [
        (_gauge("binding_rule", "", "The rule that holds a limit now."), binding),
        (_gauge("finding", "", "Something to look at."), found),
        (_gauge("alarm", "", "A warning or protection of some pack."), alarms),
        (Family(PREFIX + "rejected", "counter", "Reports, requests and states refused."), [(NONE, str(view.rejected))]),
    ]  # fmt: skip


def _links(links: Sequence[Link]) -> Told:
    items = [
        ({"link": link.name, "what": what}, str(getattr(link.counts, what)))
        for link in links
        for what in LINK_COUNTS
    ]
    opened = [({"link": link.name}, str(link.counts.opened)) for link in links]
    return [
        (Family(PREFIX + "link_items", "counter", "Messages on a link, by what became of them."), items),
        (Family(PREFIX + "link_opened", "counter", "How often a link has been opened."), opened),
    ]  # fmt: skip
