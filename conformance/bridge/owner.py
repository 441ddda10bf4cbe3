"""What the owner asks: wishes are kept, commands and declarations act at once."""

from typing import Any

from .checks import whole
from .packs import heard

Plain = dict[str, Any]


def no(error: str, field: str | None = None) -> Plain:
    """Refuse."""
    return {"ok": False, "error": error, **({} if field is None else {"field": field})}


def wish_key(wish: Plain) -> tuple[str, str | None, str]:
    """Which wish is it? A repeat replaces."""
    return wish["kind"], wish["pack"], wish["source"]


def keep(bank: Plain, request: Plain, now: int) -> Plain:
    """Keep a wish in place of an earlier one of the same kind, pack and source."""
    wish = {name: request.get(name) for name in ("kind", "pack", "value")}
    wish["source"] = request.get("source", "")
    lasts = request.get("lasts_ms")
    wish["until"] = None if lasts is None else now + lasts
    others = [old for old in bank["wishes"] if wish_key(old) != wish_key(wish)]
    if len(others) >= 16:
        return no("kind: at most 16 wishes", "kind")
    bank["wishes"] = [*others, wish]
    return {"ok": True}


def clear(bank: Plain, request: Plain, now: int) -> Plain:
    """Take one wish back."""
    gone = (request.get("field"), request.get("pack"), request.get("source", ""))
    kept = [wish for wish in bank["wishes"] if wish_key(wish) != gone]
    found = len(kept) < len(bank["wishes"])
    bank["wishes"] = kept
    return {"ok": True} if found else no("field: no such wish", "field")


def restore_pack(bank: Plain, request: Plain, now: int) -> Plain:
    """Nobody withholds this pack any more."""
    bank["wishes"] = [
        wish
        for wish in bank["wishes"]
        if (wish["kind"], wish["pack"]) != ("withhold_pack", request["pack"])
    ]
    return {"ok": True}


def start_bulk(bank: Plain, request: Plain, now: int) -> Plain:
    """A new charge."""
    if bank["day"]["since_start"] < bank["set"]["stages"]["restart_min_interval_ms"]:
        return no("kind: too soon", "kind")
    bank["day"]["asked"] = bank["day"]["cycle"] != "bulk"
    return {"ok": True}


def adjust_stage(bank: Plain, request: Plain, now: int) -> Plain:
    """Change a stage setting within the installer's bounds."""
    for name, low, high in bank["set"]["stages"]["adjustable"]:
        if name == request.get("field") and whole(request.get("value"), low, high):
            bank["day"]["adjusted"][name] = request["value"]
            return {"ok": True}
    return no("value: not within the installer's bounds", "value")


def declare_removed(bank: Plain, request: Plain, now: int) -> Plain:
    """The owner disconnected a pack."""
    pack = next(one for one in bank["packs"] if one["name"] == request["pack"])
    if heard(pack) or pack["count"] or pack["frozen"]:
        return no("pack: it reports", "pack")
    pack["state"] = "removed"
    return {"ok": True}


def declare_returned(bank: Plain, request: Plain, now: int) -> Plain:
    """The owner connected it again."""
    pack = next(one for one in bank["packs"] if one["name"] == request["pack"])
    pack["state"] = "unheard" if pack["state"] == "removed" else pack["state"]
    return {"ok": True}


ACTS = {
    "clear": clear,
    "restore_pack": restore_pack,
    "start_bulk": start_bulk,
    "adjust_stage": adjust_stage,
    "declare_removed": declare_removed,
    "declare_returned": declare_returned,
}
