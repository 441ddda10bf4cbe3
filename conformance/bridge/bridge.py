"""The bridge: one request in, one answer out, all of its state in one dictionary."""

import json
from typing import Any

from .checks import WISHES, bad_report, bad_wish, settings_from, whole
from .limits import is_open, settle, settle_voltage
from .owner import ACTS, keep, no, wish_key
from .packs import age, hear, heard, is_news, new_pack
from .stages import TIMERS, new_stages, step_stages, target_mv
from .view import facts, merge

Plain = dict[str, Any]
WRAP = 1 << 30
LONGEST_LINE = 65_536
BUS = {
    "sample": (0, 65_535),
    "age_ms": (0, 432_000_000),
    "voltage_mv": (0, 150_000),
    "current_ma": (-32_000_000, 32_000_000),
}


class Bridge:
    """One bank under a driver."""

    def __init__(self) -> None:
        self.bank: Plain = {}
        self.done = False

    def answer(self, request: object) -> Plain:
        """Answer one request; never raises."""
        if not isinstance(request, dict):
            return no("expected an object")
        op = request.get("op")
        if op == "hello":
            return {
                "ok": True,
                "name": "kit bridge",
                "version": "1",
                "protocol": 1,
                "supports": ["merge", "limits", "stages", "requests", "time"],
            }
        if op == "bye":
            self.done = True
            return {"ok": True}
        if op == "reset":
            return self.reset(request)
        act = getattr(self, "do_" + op, None) if isinstance(op, str) else None
        if act is None:
            return no("unsupported")
        if not self.bank:
            return no("reset comes first", "op")
        if type(request.get("t")) is not int:
            return no("t: expected milliseconds", "t")
        answer: Plain = act(request)
        if not answer["ok"]:
            self.bank["rejected"] += 1
        return answer

    def reset(self, request: Plain) -> Plain:
        """Start anew."""
        try:
            settings = settings_from(request.get("settings"))
        except (ValueError, TypeError, AttributeError) as error:
            return no(f"{error}: cannot be", str(error))
        sides: Plain = {
            side: {
                "limit": 0,
                "denied": True,
                "carriers": [],
                "quiet": None,
                "caps": [],
                "closed_until": 0,
                "settle_until": 0,
                "path_until": 0,
            }
            for side in ("charge", "discharge")
        }
        self.bank = {
            "set": settings,
            "packs": [],
            "wishes": [],
            "bus": None,
            "now": 0,
            "raw": None,
            "stirred": False,
            "rejected": 0,
            "day": new_stages(),
            "stepped": False,
            **sides,
            "charge_voltage": {"limit": settings["limp_voltage_mv"], "caps": []},
            "discharge_voltage": {"limit": -settings["limp_low_voltage_mv"], "caps": []},
        }
        names = sorted(settings["packs"], key=lambda pack: str(pack["pack"]))
        self.bank["packs"] = [new_pack(pack) for pack in names]
        return {"ok": True}

    def at(self, raw: int) -> int:
        """Return a time without wraps."""
        bank = self.bank
        bank["raw"] = raw if bank["raw"] is None else bank["raw"]
        gone = (raw - bank["raw"]) % WRAP
        now: int = bank["now"] + (gone if gone < WRAP // 2 else gone - WRAP)
        return now

    def do_report(self, request: Plain) -> Plain:
        """One pack's report."""
        bank = self.bank
        pack = next((one for one in bank["packs"] if one["name"] == request.get("pack")), None)
        if pack is None:
            return no("pack: not one of ours", "pack")
        field = bad_report(request, bank["set"]["cell_count"])
        if field is not None:
            return no(f"{field}: cannot be", field)
        if is_news(pack, request["sample"]):
            now = self.at(request["t"])
            bank["stirred"] |= hear(pack, request, now, bank["set"])
        return {"ok": True}

    def do_bus(self, request: Plain) -> Plain:
        """A meter on the common bus."""
        for name, value in request.items():
            if name not in ("op", "t") and (
                name not in BUS or (value is not None and not whole(value, *BUS[name]))
            ):
                return no(f"{name}: cannot be", name)
        if request.get("sample") is None:
            return no("sample: cannot be", "sample")
        bus, now = self.bank["bus"], self.at(request["t"])
        if bus is None or 0 < (request["sample"] - bus["sample"]) % 65_536 < 32_768:
            taken = now - (request.get("age_ms") or 0)
            self.bank["bus"] = {
                "sample": request["sample"],
                "current": request.get("current_ma"),
                "taken": taken,
            }
        return {"ok": True}

    def do_request(self, request: Plain) -> Plain:
        """A wish, command or declaration."""
        kind = request.get("kind")
        names = [pack["name"] for pack in self.bank["packs"]]
        stray = [
            name
            for name in request
            if name not in ("op", "t", "kind", "pack", "value", "lasts_ms", "source", "field")
        ]
        if stray or not isinstance(kind, str):
            return no("kind: cannot be", *(stray or ["kind"])[:1])
        if kind in WISHES:
            field = bad_wish(request, names)
            return (
                keep(self.bank, request, self.at(request["t"]))
                if field is None
                else no(f"{field}: cannot be", field)
            )
        act = ACTS.get(kind)
        if act is None:
            return no("kind: unknown", "kind")
        if (
            kind in ("restore_pack", "declare_removed", "declare_returned")
            and request.get("pack") not in names
        ):
            return no("pack: not one of ours", "pack")
        return act(self.bank, request, self.at(request["t"]))

    def do_step(self, request: Plain) -> Plain:
        """Work everything out."""
        bank, settings = self.bank, self.bank["set"]
        now = self.at(request["t"])
        dt, fell = max(0, now - bank["now"]), bank["now"] - now
        bank["now"], bank["raw"], bank["stepped"] = max(now, bank["now"]), request["t"], True
        bank["wishes"] = [
            wish for wish in bank["wishes"] if wish["until"] is None or bank["now"] < wish["until"]
        ]
        for pack in bank["packs"]:
            pack["stirs"] += bank["stirred"]
            still = any(
                is_open(pack, side, settings["zero_current_ma"]) for side in ("charge", "discharge")
            )
            age(pack, bank["now"], settings, still)
            if fell > settings["fresh_ms"] and heard(pack):
                pack["state"] = "unheard"
        bank["stirred"] = False
        view = merge(bank)
        step_stages(bank["day"], facts(bank, view), settings["stages"], dt)
        for side in ("charge", "discharge"):
            settle(bank, side, dt)
            settle_voltage(bank, side, target_mv(bank["day"], settings["stages"]), dt)
            limit = bank[side]["limit"]
            view[side + "_current_limit_ma"] = limit
            view[side + "_allowed"] = limit > 0
            view[side + "_voltage_limit_mv"] = abs(bank[side + "_voltage"]["limit"])
        view["packs"] = [
            {
                "pack": pack["name"],
                "presence": pack["state"],
                "charge_contribution_ma": bank["charge"]["added"].get(pack["name"], 0),
                "discharge_contribution_ma": bank["discharge"]["added"].get(pack["name"], 0),
            }
            for pack in bank["packs"]
        ]
        day = bank["day"]
        view["stage"] = day["stage"]
        view["stage_elapsed_ms"] = day["paused"] if day["stage"] == "paused" else day["elapsed"]
        return {
            "ok": True,
            "view": {**view, "rejected": bank["rejected"], "may_speak": self.speaks()},
        }

    def speaks(self) -> bool:
        """Is anybody heard?"""
        return any(heard(pack) for pack in self.bank["packs"])

    def do_may_speak(self, request: Plain) -> Plain:
        """May a frame go to a charger now?"""
        late_ms = abs(self.at(request["t"]) - self.bank["now"])
        fresh = self.bank["stepped"] and late_ms <= self.bank["set"]["fresh_ms"]
        return {"ok": True, "may_speak": fresh and self.speaks()}

    def do_why(self, request: Plain) -> Plain:
        """Every cap on one limit, tightest first."""
        name = request.get("limit")
        if name not in (
            "charge_current",
            "discharge_current",
            "charge_voltage",
            "discharge_voltage",
        ):
            return no("limit: unknown", "limit")
        caps = self.bank[name.removesuffix("_current")]["caps"]
        sign = -1 if name == "discharge_voltage" else 1
        return {
            "ok": True,
            "caps": [
                {"value": sign * value, "rule": rule, "pack": pack} for value, rule, pack in caps
            ],
        }

    def do_snapshot(self, request: Plain) -> Plain:
        """What must survive a restart."""
        bank = self.bank
        wishes = [
            {**wish, "until": None if wish["until"] is None else wish["until"] - bank["now"]}
            for wish in bank["wishes"]
        ]
        removed = [pack["name"] for pack in bank["packs"] if pack["state"] == "removed"]
        return {"ok": True, "state": {"kept": json.dumps([bank["day"], wishes, removed])}}

    def do_restore(self, request: Plain) -> Plain:
        """Take up what was kept; remaining times run on."""
        try:
            day, wishes, removed = json.loads(request["state"]["kept"])
            assert {"stage", "cycle", "adjusted", *TIMERS} <= set(day)
        except (KeyError, TypeError, ValueError, AssertionError):
            return no("state: not one of ours", "state")
        now = self.at(request["t"])
        self.bank["day"] = day
        since = self.bank["wishes"]  # wished since then: newer
        newer = {wish_key(wish) for wish in since}
        self.bank["wishes"] = since + [
            {**wish, "until": None if wish["until"] is None else wish["until"] + now}
            for wish in wishes
            if wish_key(wish) not in newer
        ]
        for pack in self.bank["packs"]:
            if pack["name"] in removed and not heard(pack):
                pack["state"] = "removed"
        return {"ok": True}


def answer_line(bridge: Bridge, line: str) -> Plain | None:
    """Answer one line; None for an empty one or a log line."""
    if not line.strip() or line.lstrip().startswith("#"):
        return None
    try:
        request = json.loads(line) if len(line) <= LONGEST_LINE else None
    except (ValueError, RecursionError):
        request = None
    return bridge.answer(request)
