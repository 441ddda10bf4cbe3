"""Our devices: the bank as the root, a child for each pack; every property and what it says.

Numbers go out exactly: a milliampere is the last digit, so that no limit is rounded up.
"""

from collections.abc import Callable, Sequence
from operator import attrgetter
from typing import Any

from attrs import frozen

from adapters.homie.convention import (
    DISCONNECTED,
    LOST,
    READY,
    Property,
    boolean,
    tenths,
    text,
    thousandths,
)
from aggregator import PackRow, SystemView
from aggregator.view import Finding

Says = Callable[[Any], str | None]  # of a view, a pack's row or its reading; None: unknown


@frozen
class Row:
    """A property, and what it says."""

    about: Property
    says: Says


def _of(field: str, shown: Callable[[Any], str]) -> Says:
    """Return what shows a field; unknown stays unknown."""
    get = attrgetter(field)

    def says(record: Any) -> str | None:
        value = get(record)
        return None if value is None else shown(value)

    return says


def _measured(
    node: str,
    one: str,
    name: str,
    field: str,
    shown: Callable[[int], str],
    unit: str,
    form: str = "",
) -> Row:
    datatype = "integer" if shown is str else "float"
    return Row(Property(node, one, name, datatype, unit, form), _of(field, shown))


def _told(
    node: str, one: str, name: str, field: str, datatype: str = "string", form: str = ""
) -> Row:
    known: dict[str, Callable[[Any], str]] = {"boolean": boolean, "json": names}
    shown = known.get(datatype, text)
    return Row(Property(node, one, name, datatype, format=form), _of(field, shown))


def names(values: Sequence[str]) -> str:
    """Return names as a JSON list."""
    return "[" + ", ".join(f'"{value}"' for value in values) + "]"


def _at(which: str) -> Says:
    """Return what tells where the lowest or highest cell is: its pack, and its number if known."""

    def says(view: SystemView) -> str | None:
        pack, number = getattr(view, which + "_pack"), getattr(view, which + "_no")
        if pack is None:
            return None
        return str(pack) if number is None else f"{pack} {number}"

    return says


def _because(limit: str) -> Says:
    """Return what tells the rule that holds a limit, and the pack it speaks of."""

    def says(view: SystemView) -> str:
        rule, pack = getattr(view, limit + "_rule"), getattr(view, limit + "_pack")
        words = str(rule).replace("_", " ")
        return text(words if pack is None else f"{words}: {pack}")

    return says


STAGES = "bulk,absorption,float,paused"
ROLES = "quiet,follower,candidate,leader,leader_without_quorum,alone"
PRESENCES = "live,late,unheard,removed"
NAME_LIST = '{"type": "array", "items": {"type": "string"}}'

BANK_NODES = {
    "measured": "Measured",
    "state": "State",
    "limits": "Limits",
    "because": "Why the limits are what they are",
    "asked": "What may be asked for",
}
BANK = (
    _measured("measured", "voltage", "Voltage", "voltage_mv", thousandths, "V"),
    _measured("measured", "lowest-pack-voltage", "Lowest pack voltage", "voltage_min_mv", thousandths, "V"),
    _measured("measured", "highest-pack-voltage", "Highest pack voltage", "voltage_max_mv", thousandths, "V"),
    _measured("measured", "current", "Current into the packs", "current_ma", thousandths, "A"),
    _measured("measured", "power", "Power into the packs", "power_w", str, "W"),
    _measured("measured", "charge", "State of charge", "soc_permille", tenths, "%", "0:100"),
    _measured("measured", "lowest-charge", "Lowest state of charge of a pack", "soc_min_permille", tenths, "%", "0:100"),
    _measured("measured", "highest-charge", "Highest state of charge of a pack", "soc_max_permille", tenths, "%", "0:100"),
    _measured("measured", "health", "Lowest state of health of a pack", "soh_permille", tenths, "%", "0:100"),
    _measured("measured", "capacity", "Full capacity", "capacity_mah", thousandths, "Ah"),
    _measured("measured", "remaining", "Charge left", "remaining_mah", thousandths, "Ah"),
    _measured("measured", "lowest-cell", "Lowest cell", "cell_min_mv", thousandths, "V"),
    _measured("measured", "highest-cell", "Highest cell", "cell_max_mv", thousandths, "V"),
    Row(Property("measured", "lowest-cell-at", "Pack and number of the lowest cell", "string"), _at("cell_min")),
    Row(Property("measured", "highest-cell-at", "Pack and number of the highest cell", "string"), _at("cell_max")),
    _measured("measured", "coldest", "Coldest sensor", "temperature_min_decic", tenths, "°C"),
    _measured("measured", "hottest", "Hottest sensor", "temperature_max_decic", tenths, "°C"),
    _told("state", "stage", "Stage of the charge", "stage", "enum", STAGES),
    _told("state", "stage-ends", "What comes next", "stage_ends"),
    _told("state", "incomplete", "A pack is missing from these numbers", "partial", "boolean"),
    _told("state", "warnings", "Warnings of the packs", "warnings", "json", NAME_LIST),
    _told("state", "protections", "Protections that have acted", "protections", "json", NAME_LIST),
    _told("state", "role", "Part of this board among several", "role", "enum", ROLES),
    Row(Property("because", "charge-voltage", "Holds the charge voltage", "string"), _because("charge_voltage")),
    Row(Property("because", "discharge-voltage", "Holds the discharge voltage", "string"), _because("discharge_voltage")),
    Row(Property("because", "charge-current", "Holds the charge current", "string"), _because("charge_current")),
    Row(Property("because", "discharge-current", "Holds the discharge current", "string"), _because("discharge_current")),
)  # fmt: skip


def _may(way: str) -> Says:
    """A permission needs a current limit above 0: the two always go together."""

    def says(view: SystemView) -> str:
        limit_ma = getattr(view, way + "_current_limit_ma")
        return boolean(getattr(view, way + "_allowed") and limit_ma > 0)

    return says


def _current(way: str) -> Says:
    def says(view: SystemView) -> str:
        allowed = getattr(view, way + "_allowed")
        return thousandths(getattr(view, way + "_current_limit_ma") if allowed else 0)

    return says


# A charger obeys these, while they hold: see HOLDS.
LIMITS = (
    _measured("limits", "charge-voltage", "Charge: not above", "charge_voltage_limit_mv", thousandths, "V", "0:"),
    _measured("limits", "discharge-voltage", "Discharge: not below", "discharge_voltage_limit_mv", thousandths, "V", "0:"),
    Row(Property("limits", "charge-current", "Charge: at most, all chargers together", "float", "A", "0:"), _current("charge")),
    Row(Property("limits", "discharge-current", "Discharge: at most, all loads together", "float", "A", "0:"), _current("discharge")),
    Row(Property("limits", "may-charge", "Charging is allowed", "boolean"), _may("charge")),
    Row(Property("limits", "may-discharge", "Discharging is allowed", "boolean"), _may("discharge")),
)  # fmt: skip
# An event, never kept by the broker: whoever has not heard it for so long has no limits to go by.
HOLDS = Property(
    "limits", "hold-for", "From now on the limits hold for", "integer", "s", "0:", retained=False
)

PACK_NODES = {
    "pack": "Pack",
    "measured": "Measured",
    "alarms": "Alarms",
    "own": "What its own board allows: for looking, no charger may go by it",
    "asked": "What may be asked for",
}
PACK = (
    _told("pack", "presence", "Is it there?", "presence", "enum", PRESENCES),
    _measured("pack", "adds-charge", "Adds to the charge limit", "charge_contribution_ma", thousandths, "A"),
    _measured("pack", "adds-discharge", "Adds to the discharge limit", "discharge_contribution_ma", thousandths, "A"),
    _measured("pack", "share", "Learned share of extra current", "share_permille", tenths, "%", "0:100"),
    _told("pack", "left-out", "Why it adds nothing", "why_ignored"),
)  # fmt: skip

# What a pack reads: told while it is there, emptied when it is not.
READING = (
    _measured("measured", "voltage", "Voltage", "voltage_mv", thousandths, "V"),
    _measured("measured", "current", "Current into the pack", "current_ma", thousandths, "A"),
    _measured("measured", "charge", "State of charge", "soc_permille", tenths, "%", "0:100"),
    _measured("measured", "health", "State of health", "soh_permille", tenths, "%", "0:100"),
    _measured("measured", "capacity", "Full capacity", "capacity_mah", thousandths, "Ah"),
    _measured("measured", "lowest-cell", "Lowest cell", "cell_min_mv", thousandths, "V"),
    _measured("measured", "lowest-cell-at", "Number of the lowest cell", "cell_min_no", str, "", "1:"),
    _measured("measured", "highest-cell", "Highest cell", "cell_max_mv", thousandths, "V"),
    _measured("measured", "highest-cell-at", "Number of the highest cell", "cell_max_no", str, "", "1:"),
    _measured("measured", "coldest", "Coldest sensor", "temperature_min_decic", tenths, "°C"),
    _measured("measured", "hottest", "Hottest sensor", "temperature_max_decic", tenths, "°C"),
    _told("measured", "balancing", "The balancer is at work", "balancing", "boolean"),
    _told("alarms", "warnings", "Warnings", "warnings", "json", NAME_LIST),
    _told("alarms", "protections", "Protections that have acted", "protections", "json", NAME_LIST),
    _measured("own", "charge-voltage", "Charge: not above", "charge_voltage_limit_mv", thousandths, "V", "0:"),
    _measured("own", "discharge-voltage", "Discharge: not below", "discharge_voltage_limit_mv", thousandths, "V", "0:"),
    _measured("own", "charge-current", "Charge: at most", "charge_current_limit_ma", thousandths, "A", "0:"),
    _measured("own", "discharge-current", "Discharge: at most", "discharge_current_limit_ma", thousandths, "A", "0:"),
    _told("own", "permits-charge", "Its board permits charging", "charge_allowed", "boolean"),
    _told("own", "permits-discharge", "Its board permits discharging", "discharge_allowed", "boolean"),
    _told("own", "charge-path", "Current can flow in", "charge_path_closed", "boolean"),
    _told("own", "discharge-path", "Current can flow out", "discharge_path_closed", "boolean"),
)  # fmt: skip

# A pack's device as its bank sees it. Removed is on purpose, unheard is not.
PACK_STATES = {"live": READY, "late": READY, "unheard": LOST, "removed": DISCONNECTED}


def pack_state(row: PackRow) -> str:
    """Return the $state of a pack's device."""
    return PACK_STATES[row.presence]


def alert(finding: Finding) -> tuple[str, str]:
    """Return the id and the text of the alert that tells a finding."""
    name = finding.name.replace("_", "-")
    words = finding.name.replace("_", " ")
    return (
        (name, words)
        if finding.pack is None
        else (f"{name}-{finding.pack}", f"{words}: {finding.pack}")
    )


def child_id(device: str, pack: str) -> str:
    """Return the id of a pack's device."""
    return f"{device}-{pack}"
