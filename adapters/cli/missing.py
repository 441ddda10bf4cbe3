"""What the core wants and a map does not bring, in plain words of what that costs.

The words follow docs/explanation/unknowns.md.
"""

from collections.abc import Iterable

# Any of these fields will do; what they are; what it costs without.
WANTED = (
    (("charge_current_limit_ma",), "its own charge current limit",
     "counts as 0: the bank is not charged"),
    (("discharge_current_limit_ma",), "its own discharge current limit",
     "counts as 0: the bank gives nothing"),
    (("current_ma",), "its current",
     "the bank's current limits are 0, unless it is the only one and a meter tells the total"),
    (("cell_max_mv", "cells_mv"), "its highest cell",
     "counts as full: no charging, unless you empty its charge cell curve"),
    (("cell_min_mv", "cells_mv"), "its lowest cell",
     "counts as empty: no discharging, unless you empty its discharge cell curve"),
    (("temperature_min_decic", "temperature_max_decic", "temperatures_decic"), "its temperature",
     "counts as too cold: no current, unless you empty its temperature curves"),
    (("voltage_mv",), "its voltage", "it is left out of the bank's voltage and of the room above its highest cell"),
    (("charge_voltage_limit_mv",), "its own charge voltage limit",
     "the installer's ceiling and the highest cell bind instead"),
    (("discharge_voltage_limit_mv",), "its own discharge voltage limit",
     "the installer's bound and the lowest cell bind instead"),
    (("soc_permille",), "its state of charge", "it is left out of the bank's"),
    (("capacity_mah",), "its capacity", "the settings must tell it, or it is left out of the bank's charge"),
    (("charge_allowed",), "whether it permits charging", "its limit alone says when to stop"),
    (("discharge_allowed",), "whether it permits discharging", "its limit alone says when to stop"),
    (("charge_path_closed",), "whether its charge path is closed",
     "counts as closed: if it refuses, the bank stops; see opens_path_on_refusal"),
    (("protections", "warnings"), "its alarms", "nobody is shown them; its limits still bind"),
)  # fmt: skip
METER = {"voltage_mv", "current_ma"}  # all that a meter on the common bus tells


def missing(fields: Iterable[str]) -> list[tuple[str, str]]:
    """Return (what, cost) for each thing wanted of a pack that is not among the fields of its map.

    A map of nothing but voltage and current is a meter's: it lacks nothing.
    """
    known = set(fields)
    if known <= METER:
        return []
    return [(what, cost) for names, what, cost in WANTED if not known & set(names)]
