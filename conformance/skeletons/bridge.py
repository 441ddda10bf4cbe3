"""A bridge to start from: the driver protocol around your own way of deciding. Allows nothing yet.

packyoke judge "stdio:python3 bridge.py"
"""

import json
import sys


class Bridge:
    """Keeps what the packs report; `decide` is yours to write."""

    def __init__(self):
        self.settings = None
        self.packs = {}  # name -> the last report, with the time it came in

    def decide(self, now_ms):
        """Return the limits [mA, mV]. Write this: until then nothing is allowed.

        A first step: count a pack only while its report is younger than fresh_ms (10 s unless the
        settings say otherwise); allow nothing while any pack of the settings is missing.
        """
        return {"charge_ma": 0, "discharge_ma": 0, "charge_mv": 0, "discharge_mv": 150000}

    def hello(self, request):
        return {
            "name": "my-bridge",
            "version": "0.1",
            "protocol": 1,
            "supports": ["limits", "time"],
        }

    def reset(self, request):
        settings = request.get("settings")
        if not isinstance(settings, dict) or not isinstance(settings.get("packs"), list):
            raise ValueError("settings: expected an object with packs")
        self.settings = settings
        self.packs = {pack["pack"]: None for pack in settings["packs"]}
        return {}

    def report(self, request):
        if request.get("pack") not in self.packs:
            raise ValueError("pack: expected the name of a pack in the settings")
        if type(request.get("t")) is not int or type(request.get("sample")) is not int:
            raise ValueError("t, sample: expected integers")
        # Check every field's type and range here, and refuse the whole report if one is wrong.
        self.packs[request["pack"]] = request
        return {}

    def request(self, request):
        raise ValueError("requests are not supported yet")

    def step(self, request):
        if type(request.get("t")) is not int:
            raise ValueError("t: expected an integer")
        limits = self.decide(request["t"])
        return {
            "view": {
                "charge_current_limit_ma": limits["charge_ma"],
                "discharge_current_limit_ma": limits["discharge_ma"],
                "charge_allowed": limits["charge_ma"] > 0,
                "discharge_allowed": limits["discharge_ma"] > 0,
                "charge_voltage_limit_mv": limits["charge_mv"],
                "discharge_voltage_limit_mv": limits["discharge_mv"],
            }
        }

    def answer(self, line):
        """Answer one line; whatever it holds, nothing is raised."""
        try:
            request = json.loads(line)
            op = request.get("op")
            if op == "bye":
                return {"ok": True}
            if op not in ("hello", "reset", "report", "request", "step"):
                return {"ok": False, "error": "unsupported"}
            if op in ("report", "step") and self.settings is None:
                return {"ok": False, "error": "expected reset first"}
            return {"ok": True, **getattr(self, op)(request)}
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
            return {"ok": False, "error": str(error)[:200]}


def main():
    bridge = Bridge()
    for data in sys.stdin.buffer:
        line = data.decode("utf-8", "replace").strip()
        if line and not line.startswith("#"):
            print(json.dumps(bridge.answer(line)), flush=True)


if __name__ == "__main__":
    main()
