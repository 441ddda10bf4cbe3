"""The daily charge: bulk, absorption, float, and paused while charging is denied."""

from typing import Any

TIMERS = ("elapsed", "reached", "arrived", "absorbing", "held", "dip", "tails", "low", "idle", "since_start")  # fmt: skip


def new_stages() -> dict[str, Any]:
    """A day that begins."""
    return {
        "stage": "bulk",
        "cycle": "bulk",
        "paused": 0,
        "asked": False,
        "adjusted": {},
        **dict.fromkeys(TIMERS, 0),
    }


def step_stages(
    day: dict[str, Any], facts: dict[str, Any], settings: dict[str, Any], dt: int
) -> None:
    """Let time pass, then take at most one transition."""
    now = {**settings, **day["adjusted"]}
    volt, target = facts["voltage"], min(now["absorption_mv"], facts["target_cap"])
    reached = volt is not None and volt >= target - now["tolerance_mv"]
    held = (reached or facts["arrived"]) and not facts["denied"]
    absorbing = day["cycle"] == "absorption"
    low = (
        now["restart_below_mv"] is not None and volt is not None and volt < now["restart_below_mv"]
    )
    day["elapsed"] += dt
    day["since_start"] += dt
    day["absorbing"] += dt if absorbing else 0
    day["held"] += dt if absorbing and held and day["stage"] == "absorption" else 0
    for name, runs in (
        ("paused", day["stage"] == "paused"),
        ("reached", reached),
        ("arrived", facts["arrived"]),
        ("dip", not held),
        ("tails", held and facts["tails_small"]),
        ("low", low),
        ("idle", day["cycle"] == "float" and facts["idle"]),
    ):
        day[name] = day[name] + dt if runs else 0
    follow(day, facts, now)


def follow(day: dict[str, Any], facts: dict[str, Any], now: dict[str, Any]) -> None:
    """Take the transition whose time has come."""
    stage = day["stage"]
    may_start = day["since_start"] >= now["restart_min_interval_ms"]
    if facts["denied"]:
        day["paused"] = 0 if stage != "paused" else day["paused"]
        day["stage"] = "paused"
    elif stage == "paused":
        day["stage"] = day["cycle"]
    elif stage == "bulk":
        if max(day["reached"], day["arrived"]) >= max(1, now["dwell_ms"]):
            enter(day, "absorption")
    elif stage == "absorption":
        served = day["held"] >= now["absorption_ms"]
        if now["absorption_mode"] == "until_full":
            served = day["held"] >= now["absorption_min_ms"] and day["tails"] >= max(
                1, now["dwell_ms"]
            )
        if served or day["absorbing"] >= now["absorption_max_ms"]:
            enter(day, "float")
        elif day["dip"] > now["dip_ends_cycle_ms"] or (day["asked"] and may_start):
            enter(day, "bulk")
    elif may_start and any(
        (
            day["asked"],
            now["restart_after_ms"] is not None and day["elapsed"] >= now["restart_after_ms"],
            now["restart_below_soc_permille"] is not None
            and facts["soc"] is not None
            and facts["soc"] < now["restart_below_soc_permille"],
            day["low"] >= 60_000,
            now["restart_after_idle_ms"] is not None
            and day["idle"] >= now["restart_after_idle_ms"],
        )
    ):
        enter(day, "bulk")


def enter(day: dict[str, Any], stage: str) -> None:
    """Begin a stage."""
    day["stage"] = day["cycle"] = stage
    day["elapsed"] = 0
    if stage == "bulk":
        day["since_start"], day["asked"] = 0, False
    elif stage == "absorption":
        day["absorbing"] = day["held"] = day["dip"] = day["tails"] = 0


def target_mv(day: dict[str, Any], settings: dict[str, Any]) -> int:
    """Return the voltage that the stage asks for; float stays below absorption."""
    now = {**settings, **day["adjusted"]}
    absorption: int = now["absorption_mv"]
    return min(now["float_mv"], absorption - 1) if day["cycle"] == "float" else absorption
