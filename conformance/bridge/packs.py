"""Who is there: each pack's last reading, and whether it still speaks."""

from typing import Any

Pack = dict[str, Any]

# Words that stay in force when a report leaves them out.
WORDS = (
    "charge_allowed",
    "discharge_allowed",
    "charge_voltage_limit_mv",
    "discharge_voltage_limit_mv",
)


def new_pack(settings: dict[str, Any]) -> Pack:
    """A pack that was never heard."""
    return {
        "name": settings["pack"],
        "set": settings,
        "say": {},
        "state": "unheard",
        "taken": 0,
        "count": 0,
        "moved": 0,
        "stirs": 0,
        "stirred": None,
        "frozen": False,
    }


def heard(pack: Pack) -> bool:
    """Live or late?"""
    return bool(pack["state"] in ("live", "late"))


def is_news(pack: Pack, sample: int) -> bool:
    """A repeat and an overtaken reading are none; a silent pack may count from anywhere."""
    last: int | None = pack["say"].get("sample")
    if last is None:
        return True
    ahead = (sample - last) % 65_536
    if heard(pack) or pack["count"]:
        return 0 < ahead < 32_768
    return ahead > 0


def hear(pack: Pack, report: dict[str, Any], now: int, bank: dict[str, Any]) -> bool:
    """Take a sound reading that is news; return whether its current stirred."""
    say = {name: value for name, value in report.items() if value is not None}
    for name, lower, upper in (
        ("cells_mv", "cell_min_mv", "cell_max_mv"),
        ("temperatures_decic", "temperature_min_decic", "temperature_max_decic"),
    ):
        if name in say:
            say.setdefault(lower, min(say[name]))
            say.setdefault(upper, max(say[name]))
    for end in ("min", "max"):
        if "cells_mv" in say and say[f"cell_{end}_mv"] in say["cells_mv"]:
            say.setdefault(f"cell_{end}_no", say["cells_mv"].index(say[f"cell_{end}_mv"]) + 1)
    say.setdefault("capacity_mah", pack["set"]["capacity_mah"])
    stands = pack["say"] if pack["state"] != "removed" else {}
    say |= {name: stands[name] for name in WORDS if name in stands and name not in say}
    values = ("voltage_mv", "current_ma", "cell_min_mv", "cell_max_mv", "soc_permille")
    moved = any(say.get(name) != pack["say"].get(name) for name in values)
    taken = now - say.get("age_ms", 0)
    # Of one found frozen, readings that moved count.
    silent_ms = now - pack["moved"] if pack["frozen"] else taken - pack["taken"]
    in_a_row = pack["count"] > 0 and silent_ms <= bank["unheard_ms"]
    if moved:
        pack["moved"], pack["stirs"] = now, -1
    pack["say"], pack["taken"] = say, taken
    if now - taken > bank["fresh_ms"]:
        pack["count"] = 0
        if pack["state"] == "removed" and now - taken <= bank["unheard_ms"]:
            pack["state"] = "unheard"  # too old to count, and evidently there
    elif pack["state"] in ("late", "removed"):
        pack["state"], pack["count"] = "live", 0
    elif pack["state"] == "unheard" and (moved or not pack["frozen"]):
        pack["count"] = pack["count"] + 1 if in_a_row else 1
        if pack["count"] >= bank["recovery_samples"]:
            pack["state"], pack["count"], pack["frozen"] = "live", 0, False
    current, stirred = say.get("current_ma"), pack["stirred"]
    if current is not None and (
        stirred is None or abs(current - stirred) >= bank["zero_current_ma"]
    ):
        pack["stirred"] = current
        return stirred is not None
    return False


def age(pack: Pack, now: int, bank: dict[str, Any], still: bool) -> None:
    """Let silence age a pack. `still`: its path is open, its readings may stand still."""
    age_ms = now - pack["taken"]
    if age_ms < -bank["fresh_ms"]:
        age_ms = bank["unheard_ms"] + 1  # from the future: nobody knows when it was taken
    elif age_ms < 0:
        pack["taken"], age_ms = now, 0
    if not heard(pack):
        pack["count"] = 0 if age_ms > bank["unheard_ms"] else pack["count"]
    elif age_ms > bank["unheard_ms"]:
        pack["state"], pack["count"] = "unheard", 0
    elif not still and pack["stirs"] >= 10 and now - pack["moved"] > bank["frozen_ms"]:
        pack["state"], pack["count"], pack["frozen"] = "unheard", 0, True
    elif age_ms > bank["fresh_ms"]:
        pack["state"] = "late"


def is_late(pack: Pack, now: int, bank: dict[str, Any]) -> bool:
    """Is its reading late, so that nothing may rise? Also of one found frozen."""
    if pack["state"] == "unheard" and pack["frozen"]:
        return bool(bank["fresh_ms"] < now - pack["taken"] <= bank["unheard_ms"])
    return bool(pack["state"] == "late")
