"""What the bank shows, and what the daily charge may know of it."""

from typing import Any

from .limits import is_open, unknown
from .packs import heard

Plain = dict[str, Any]


def said(group: list[Plain], name: str) -> list[int]:
    """Return what these packs say, where they do."""
    return [pack["say"][name] for pack in group if pack["say"].get(name) is not None]


def merge(bank: Plain) -> Plain:
    """Describe the bank."""
    packs = bank["packs"]
    live = [pack for pack in packs if pack["state"] == "live"]
    there = [pack for pack in packs if pack["state"] != "removed"]
    talking = [pack for pack in packs if heard(pack)]

    volts, health = said(live, "voltage_mv"), said(talking, "soh_permille")
    current = sum(said(talking, "current_ma"))
    weighed = [
        pack
        for pack in talking
        if "soc_permille" in pack["say"] and pack["say"].get("capacity_mah")
    ]
    weight = sum(said(weighed, "capacity_mah"))
    charged = sum(pack["say"]["soc_permille"] * pack["say"]["capacity_mah"] for pack in weighed)
    socs = said(talking, "soc_permille")
    view: Plain = {
        "voltage_mv": sum(volts) // len(volts) if volts else None,
        "voltage_min_mv": min(volts, default=None),
        "voltage_max_mv": max(volts, default=None),
        "current_ma": current if talking and not unknown(bank) else None,
        "soc_permille": charged // weight if weight else None,
        "soc_min_permille": min(socs) if weight else None,
        "soc_max_permille": max(socs) if weight else None,
        "soh_permille": min(health, default=None),
        "capacity_mah": sum(said(talking, "capacity_mah")),
        "remaining_mah": charged // 1_000 if weight else None,
        "partial": len(live) < len(there) or len(weighed) < len(there),
    }
    known = view["voltage_mv"] is not None and view["current_ma"] is not None
    view["power_w"] = view["voltage_mv"] * view["current_ma"] // 1_000_000 if known else None
    show_extremes(view, there)
    for name in ("warnings", "protections"):
        view[name] = sorted({alarm for pack in there for alarm in pack["say"].get(name, [])})
    return view


def show_extremes(view: Plain, there: list[Plain]) -> None:
    """Write the extremes, and the packs they are in, into the view."""
    for name, unit, best in (
        ("cell_min", "_mv", min),
        ("cell_max", "_mv", max),
        ("temperature_min", "_decic", min),
        ("temperature_max", "_decic", max),
    ):
        value = best(said(there, name + unit), default=None)
        holder = next(
            (pack for pack in there if value is not None and pack["say"].get(name + unit) == value),
            None,
        )
        view[name + unit] = value
        view[name + "_pack"] = None if holder is None else holder["name"]
        if unit == "_mv":
            view[name + "_no"] = None if holder is None else holder["say"].get(name + "_no")


def facts(bank: Plain, view: Plain) -> Plain:
    """What the daily charge may know."""
    there = [pack for pack in bank["packs"] if pack["state"] != "removed"]
    own = [
        pack["say"]["charge_voltage_limit_mv"]
        for pack in there
        if "charge_voltage_limit_mv" in pack["say"]
    ]
    wished = [wish["value"] for wish in bank["wishes"] if wish["kind"] == "cap_charge_voltage"]
    gaps = [
        pack["set"]["cell_ceiling_mv"] - pack["say"]["cell_max_mv"]
        for pack in there
        if "cell_max_mv" in pack["say"]
    ]
    rate = {**bank["set"]["stages"], **bank["day"]["adjusted"]}["tail_rate_permille"]
    tails, small = 0, True
    for pack in there:
        if pack["state"] != "live":
            small = False
        elif not is_open(pack, "charge", bank["set"]["zero_current_ma"]):
            tail = (pack["say"].get("capacity_mah") or 0) * rate // 1_000
            tails += tail
            small = small and pack["say"].get("capacity_mah") is not None
            small = small and abs(pack["say"].get("current_ma", 1 << 30)) <= tail
    current = view["current_ma"]
    return {
        "voltage": view["voltage_mv"],
        "soc": view["soc_permille"],
        "arrived": min(gaps, default=1_000) <= 50,
        "target_cap": min([bank["set"]["charge_voltage_ceiling_mv"], *own, *wished]),
        "tails_small": small and bank["charge"]["limit"] >= 2 * tails > 0,
        "idle": current is None or current <= bank["set"]["zero_current_ma"],
        "denied": bank["charge"]["denied"] or bank["now"] < bank["charge"]["closed_until"],
    }
