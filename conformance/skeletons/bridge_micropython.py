"""A bridge to start from on a board: MicroPython, standard input and output (the USB serial line).

Allows nothing yet. As main.py on a board:  packyoke judge serial:/dev/ttyUSB0
"""

import json
import sys

LONGEST_LINE = 4096  # a longer one is dropped whole, never taken in part


def decide(packs, now_ms):
    """Return charge and discharge current [mA], charge and discharge voltage [mV].

    Write this. `packs`: name -> last report, or None. Until then nothing is allowed.
    """
    return 0, 0, 0, 150000


class Bridge:
    def __init__(self):
        self.packs = None  # before the first reset there is no bank

    def answer(self, line):
        try:
            request = json.loads(line)
        except (ValueError, RuntimeError, MemoryError):
            return no("not JSON")
        if not isinstance(request, dict):
            return no("expected an object")
        op = request.get("op")
        if op == "hello":
            return {
                "ok": True,
                "name": "my-board",
                "version": "0.1",
                "protocol": 1,
                "supports": ["limits", "time"],
            }
        if op == "reset":
            return self.reset(request.get("settings"))
        if self.packs is None:
            return no("expected reset first")
        if op == "report":
            return self.report(request)
        if op == "step":
            return self.step(request.get("t"))
        return no("unsupported")

    def reset(self, settings):
        rows = settings.get("packs") if isinstance(settings, dict) else None
        if not isinstance(rows, list):
            return no("settings: expected an object with packs")
        packs = {}
        for row in rows:
            if not isinstance(row, dict) or not isinstance(row.get("pack"), str):
                return no("packs: expected objects with a name")
            packs[row["pack"]] = None
        self.packs = packs
        return {"ok": True}

    def report(self, request):
        name = request.get("pack")
        if not isinstance(name, str) or name not in self.packs:
            return no("pack: expected the name of a pack in the settings")
        # Check every field's type and range here, and refuse the whole report if one is wrong.
        self.packs[name] = request
        return {"ok": True}

    def step(self, now_ms):
        if type(now_ms) is not int:
            return no("t: expected an integer")
        charge_ma, discharge_ma, charge_mv, discharge_mv = decide(self.packs, now_ms)
        return {
            "ok": True,
            "view": {
                "charge_current_limit_ma": charge_ma,
                "discharge_current_limit_ma": discharge_ma,
                "charge_allowed": charge_ma > 0,
                "discharge_allowed": discharge_ma > 0,
                "charge_voltage_limit_mv": charge_mv,
                "discharge_voltage_limit_mv": discharge_mv,
            },
        }


def no(error):
    return {"ok": False, "error": error}


def lines():
    """Yield lines of bytes up to LONGEST_LINE; of a longer one a brace alone, which is no JSON."""
    while True:
        line = sys.stdin.buffer.readline(LONGEST_LINE)
        if not line:
            return
        if line[-1:] == b"\n":
            yield line
            continue
        while line and line[-1:] != b"\n":
            line = sys.stdin.buffer.readline(LONGEST_LINE)
        yield b"}"


def main():
    bridge = Bridge()
    for data in lines():
        try:
            line = data.decode().strip()
        except (ValueError, UnicodeError):
            line = "}"  # not text: answered as what is no JSON
        if line and line[0] != "#":
            sys.stdout.write(json.dumps(bridge.answer(line)) + "\n")
            if hasattr(sys.stdout, "flush"):
                sys.stdout.flush()


main()
