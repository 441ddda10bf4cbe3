"""What the bank may do: the smallest of a list of caps, for each direction and each voltage."""

from itertools import pairwise
from typing import Any

from .packs import Pack, heard, is_late

Cap = tuple[int, str, str | None]


def along(curve: list[list[int]], x: int | None) -> int:
    """Return the permille a curve leaves at `x`, rounded down; unknown: 0."""
    if not curve:
        return 1_000
    if x is None:
        return 0
    for (left, low), (right, high) in pairwise(curve):
        if left <= x <= right:
            return low + (high - low) * (x - left) // (right - left)
    return curve[0][1] if x < curve[0][0] else curve[-1][1]


def flow(pack: Pack, side: str) -> int:
    """Return a pack's current, positive in this direction."""
    current: int = pack["say"].get("current_ma", 0)
    return current if side == "charge" else -current


def is_open(pack: Pack, side: str, zero_ma: int) -> bool:
    """Can no current flow?"""
    closed = pack["say"].get(side + "_path_closed")
    if closed is not None:
        return closed is False
    refuses = pack["say"].get(side + "_allowed") is False
    opens = pack["set"]["opens_path_on_refusal"] and "current_ma" in pack["say"]
    return refuses and opens and flow(pack, side) <= zero_ma


def most(pack: Pack, side: str) -> int:
    """Return the installer's ceiling, or else the pack's own limit."""
    ceiling = pack["set"][side + "_current_ceiling_ma"]
    own: int = pack["say"].get(side + "_current_limit_ma", 0)
    return own if ceiling is None else int(ceiling)


def usable(pack: Pack, side: str, margin_permille: int) -> int:
    """Return what a pack may take, rounded down at every turn [mA]."""
    say, settings = pack["say"], pack["set"]
    left: int = min(say.get(side + "_current_limit_ma", 0), most(pack, side))
    left = left * (1_000 - margin_permille) // 1_000
    left = left * (1_000 - settings["sensor_tolerance_permille"]) // 1_000
    left = max(0, left - settings["sensor_tolerance_ma"])
    cold = say.get("temperature_min_decic", say.get("temperature_max_decic"))
    hot = say.get("temperature_max_decic", say.get("temperature_min_decic"))
    curve = settings[side + "_temperature_curve"]
    left = left * min(along(curve, cold), along(curve, hot)) // 1_000
    cell = say.get("cell_max_mv" if side == "charge" else "cell_min_mv")
    return left * along(settings[side + "_cell_curve"], cell) // 1_000


def room(total: int, rows: list[tuple[int, int, str]]) -> tuple[int, str | None]:
    """Return the total that leaves the tightest of rows (limit, flow, name) within its limit."""
    left, name = min(((limit - now, name) for limit, now, name in rows), default=(0, None))
    return total + left, name


def denials(bank: dict[str, Any], side: str) -> list[Cap]:
    """Return the caps that can deny a direction."""
    settings, packs = bank["set"], bank["packs"]
    zero_ma, margin = settings["zero_current_ma"], settings["margin_permille"]
    caps: list[Cap] = []
    if any(wish["kind"] == "stop_" + side for wish in bank["wishes"]):
        caps.append((0, "owner_stop", None))
    for pack in packs:
        refuses = pack["say"].get(side + "_allowed") is False
        connected = not is_open(pack, side, zero_ma)
        if refuses and connected and heard(pack):
            caps.append((0, "refuses_but_connected", pack["name"]))
        if pack["state"] == "unheard":
            grant = min(usable(pack, side, margin), pack["set"][f"unheard_{side}_current_ma"])
            caps.append((0 if refuses and connected else grant, "unheard", pack["name"]))
        own = settings["local_refusal_stops_bank"] and pack["name"] in settings["own_packs"]
        if own and refuses and pack["state"] != "removed":
            caps.append((0, "local_refusal", pack["name"]))
    if unknown(bank) and bus_fills(bank) is None:
        caps.append((0, "current_unknown", None))
    if not any(heard(pack) and not is_open(pack, side, zero_ma) for pack in packs):
        caps.append((0, "no_path", None))
    return caps


def unknown(bank: dict[str, Any]) -> list[Pack]:
    """Return the heard packs that do not say their current."""
    return [pack for pack in bank["packs"] if heard(pack) and "current_ma" not in pack["say"]]


def bus_fills(bank: dict[str, Any]) -> int | None:
    """Return the current of the one pack that does not say it, if a bus meter tells."""
    missing, bus = unknown(bank), bank["bus"]
    silent = any(pack["state"] == "unheard" for pack in bank["packs"])
    if len(missing) != 1 or silent or bus is None or bus["current"] is None:
        return None
    if not 0 <= bank["now"] - bus["taken"] <= bank["set"]["fresh_ms"]:
        return None
    rest = sum(flow(pack, "charge") for pack in bank["packs"] if heard(pack))
    current: int = bus["current"]
    return current - rest


def row_of(bank: dict[str, Any], side: str, pack: Pack) -> tuple[int, int, str]:
    """Return what a pack may take, its current as far as it counts, and its name."""
    now = flow(pack, side)
    if heard(pack) and "current_ma" not in pack["say"]:
        filled = bus_fills(bank) or 0
        now = filled if side == "charge" else -filled
    if pack["state"] == "unheard":
        now = min(0, now)
    return usable(pack, side, bank["set"]["margin_permille"]), now, pack["name"]


def arithmetic(bank: dict[str, Any], side: str) -> list[Cap]:
    """Return the caps that come out of sums and rooms."""
    settings, state = bank["set"], bank[side]
    zero_ma = settings["zero_current_ma"]
    withheld = [wish["pack"] for wish in bank["wishes"] if wish["kind"] == "withhold_pack"]
    total = 0
    state["added"] = {}
    rows: list[tuple[int, int, str]] = []
    for pack in bank["packs"]:
        if pack["state"] == "removed":
            continue
        row = row_of(bank, side, pack)
        total += row[1]
        if is_open(pack, side, zero_ma):
            continue
        rows.append(row)
        permits = pack["say"].get(side + "_allowed") is not False
        if heard(pack) and permits and pack["name"] not in withheld:
            state["added"][pack["name"]] = row[0]
    caps: list[Cap] = [(sum(state["added"].values()), "contributions", None)]
    if rows:
        safe, name = widest(bank, side, total, rows)
        caps.append((max(0, safe), "headroom", name))
    if settings["survive_pack_loss"] == "strict" and len(rows) > 1:
        after = [
            room(total - now, [row for row in rows if row[2] != name])[0] for _, now, name in rows
        ]
        caps.append((max(0, min(after)), "pack_loss", None))
    return caps + wished(bank, side)


def widest(
    bank: dict[str, Any], side: str, total: int, rows: list[tuple[int, int, str]]
) -> tuple[int, str | None]:
    """Return the total that a reading shows to be safe, now or at the last quiet moment."""
    settings, state = bank["set"], bank[side]
    safe, name = room(total, rows)
    if safe < total:
        state["settle_until"] = bank["now"] + settings["settle_ms"]
        worst = [total * limit // now for limit, now, _ in rows if now > limit and total > 0]
        safe = min([safe, *worst])
    elif total < 0 and state["quiet"] is not None:
        quiet_total, flows = state["quiet"]
        before = [(limit, flows.get(name, 0), name) for limit, _, name in rows]
        safe = max(safe, room(quiet_total, before)[0] * (10 if side == "charge" else 7) // 10)
    sizes = (
        pack["set"][side + "_current_ceiling_ma"] or (pack["set"]["capacity_mah"] or 100_000) // 2
        for pack in bank["packs"]
    )
    small = sum(sizes) * settings["quiet_permille"] // 1_000
    clear = all(heard(pack) or pack["state"] == "removed" for pack in bank["packs"])
    if not clear or unknown(bank):
        state["quiet"] = None
    elif -small <= total <= small:
        state["quiet"] = (total, {name: now for _, now, name in rows})
    return safe, name


def wished(bank: dict[str, Any], side: str) -> list[Cap]:
    """Return the installer's ceiling and what the owner asked for."""
    ceiling = bank["set"][side + "_current_ceiling_ma"]
    caps: list[Cap] = [] if ceiling is None else [(ceiling, "bank_ceiling", None)]
    weight = charged = 0
    for pack in bank["packs"]:
        soc, size = pack["say"].get("soc_permille"), pack["say"].get("capacity_mah")
        if pack["state"] != "removed" and soc is not None and size:
            weight, charged = weight + size, charged + soc * size
    due = any(wish["kind"] == "full_charge_every_days" for wish in bank["wishes"])
    for wish in bank["wishes"]:
        kind, value = wish["kind"], wish["value"]
        if kind == f"cap_{side}_current":
            caps.append((value, "owner_cap", None))
        if kind == "top_soc_permille" and side == "charge" and weight and not due:
            caps += [(0, "owner_soc", None)] if charged // weight >= value else []
        if kind == "reserve_soc_permille" and side == "discharge" and weight and value:
            caps += [(0, "owner_soc", None)] if charged // weight <= value else []
    return caps


def settle(bank: dict[str, Any], side: str, dt: int) -> None:
    """Set one current limit: the least cap; falls at once, rises slowly."""
    state, settings, now = bank[side], bank["set"], bank["now"]
    carriers = [
        pack["name"]
        for pack in bank["packs"]
        if heard(pack) and not is_open(pack, side, settings["zero_current_ma"])
    ]
    if carriers != state["carriers"]:
        state["carriers"], state["quiet"] = carriers, None
        state["path_until"] = now + settings["path_settle_ms"]
    caps = denials(bank, side)
    state["denied"] = any(value <= 0 for value, _, _ in caps)
    if state["denied"]:
        state["closed_until"] = now + settings["reenable_ms"]
    elif now < state["closed_until"]:
        caps.append((0, "reenable_dwell", None))
    caps += arithmetic(bank, side)
    late = any(is_late(pack, now, settings) for pack in bank["packs"])
    for holds, rule in (
        (late, "late_no_rise"),
        (now < state["settle_until"], "settling_no_rise"),
        (now < state["path_until"], "path_no_rise"),
    ):
        caps += [(state["limit"], rule, None)] if holds else []
    rate = sum(most(pack, side) for pack in bank["packs"] if pack["state"] != "removed")
    rise = (
        rate
        * settings["ramp_permille_per_s"]
        // 1_000
        * min(dt, settings["nominal_step_ms"])
        // 1_000
    )
    caps.append((state["limit"] + rise, "ramp", None))
    state["caps"] = sorted(caps, key=lambda cap: cap[0])
    state["limit"] = min(value for value, _, _ in caps)


def settle_voltage(bank: dict[str, Any], side: str, target: int, dt: int) -> None:
    """Set one voltage limit: the least cap, or mirrored for discharge, where all is negative."""
    state, settings = bank[side + "_voltage"], bank["set"]
    sign, end = (1, "max") if side == "charge" else (-1, "min")
    bound = "charge_voltage_ceiling_mv" if sign > 0 else "discharge_voltage_floor_mv"
    caps: list[Cap] = [(sign * settings[bound], "ceiling", None)]
    for pack in bank["packs"]:
        say = pack["say"]
        if pack["state"] == "removed":
            continue
        if side + "_voltage_limit_mv" in say:
            caps.append((sign * say[side + "_voltage_limit_mv"], "own_limit", pack["name"]))
        if f"cell_{end}_mv" in say and "voltage_mv" in say:
            stop = pack["set"]["cell_ceiling_mv" if sign > 0 else "cell_floor_mv"]
            gap = 4 * (stop - say[f"cell_{end}_mv"])
            caps.append((max(0, say["voltage_mv"] + gap) * sign, "extreme_cell", pack["name"]))
        if pack["state"] == "unheard":
            limp = settings["limp_voltage_mv" if sign > 0 else "limp_low_voltage_mv"]
            caps.append((sign * limp, "limp", pack["name"]))
    if sign > 0:
        caps.append((target, "stage_target", None))
        capped = [wish["value"] for wish in bank["wishes"] if wish["kind"] == "cap_charge_voltage"]
        caps += [(value, "owner_voltage_cap", None) for value in capped]
    if any(is_late(pack, bank["now"], settings) for pack in bank["packs"]):
        caps.append((state["limit"], "voltage_late_no_rise", None))
    rise = settings["voltage_ramp_mv_per_s"] * min(dt, settings["nominal_step_ms"]) // 1_000
    caps.append((state["limit"] + rise, "voltage_ramp", None))
    state["caps"] = sorted(caps, key=lambda cap: cap[0])
    state["limit"] = state["caps"][0][0]
