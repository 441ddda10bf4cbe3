"""Run one of the doubles on standard input and output."""

import json
import sys
import time
from collections.abc import Callable
from typing import Any

from conformance.device import Device

Plain = dict[str, Any]

HELLO = {
    "ok": True,
    "name": "double",
    "version": "1",
    "protocol": 1,
    "supports": ["merge", "limits", "stages", "requests", "time"],
}
LATE_S = 0.02
HIGHEST_MV = 150_000
MOST_MA = 32_000_000
CRASH_AFTER = 5  # requests


def view(allowed: bool) -> Plain:
    """A view that allows nothing, or everything. For the discharge voltage, low is everything."""
    return {
        "charge_allowed": allowed,
        "discharge_allowed": allowed,
        "charge_current_limit_ma": MOST_MA if allowed else 0,
        "discharge_current_limit_ma": MOST_MA if allowed else 0,
        "charge_voltage_limit_mv": HIGHEST_MV if allowed else 0,
        "discharge_voltage_limit_mv": 0 if allowed else HIGHEST_MV,
        "stage": "bulk" if allowed else "paused",
    }


def constant(line: str, allowed: bool) -> Plain:
    """Answer whatever is asked with the same view."""
    try:
        request = json.loads(line)
        op = request.get("op")
    except (ValueError, RecursionError, AttributeError):
        return {"ok": False, "error": "not a request"}
    if op == "hello":
        return HELLO
    return {"ok": True, "view": view(allowed), "may_speak": allowed, "state": {}, "caps": []}


def send(answer: Plain) -> None:
    """Print one answer."""
    print(json.dumps(answer), flush=True)


def lines() -> Any:
    """Yield the lines that want an answer."""
    for data in sys.stdin.buffer:
        line = data.decode(errors="replace").strip()
        if line and not line.startswith("#"):
            yield line


def zero() -> None:
    """Allow nothing."""
    for line in lines():
        send(constant(line, False))


def most() -> None:
    """Allow everything."""
    for line in lines():
        send(constant(line, True))


def echo() -> None:
    """Send every line back."""
    for line in lines():
        print(line, flush=True)


def crash() -> None:
    """End in the middle of a story."""
    for number, line in enumerate(lines()):
        if number == CRASH_AFTER:
            raise SystemExit("battery not found")
        send(constant(line, False))


def hang() -> None:
    """Say hello, and then nothing more."""
    for line in lines():
        if "hello" in line:
            send(HELLO)


def slow() -> None:
    """Answer late, each time."""
    for line in lines():
        time.sleep(LATE_S)
        send(constant(line, False))


def liar() -> None:
    """Our own device; but its permissions are always given, and it says yes to everything."""
    device = Device()
    for line in lines():
        try:
            answer = device.answer(json.loads(line))
        except (ValueError, RecursionError):
            answer = {}
        shown = answer.get("view")
        if isinstance(shown, dict):
            shown.update(charge_allowed=True, discharge_allowed=True)
        send({**answer, "ok": True})


def flood() -> None:
    """Say hello, and then never stop talking."""
    for line in lines():
        if "hello" in line:
            send(HELLO)
            continue
        while True:
            print("# still alive", flush=True)


DOUBLES: dict[str, Callable[[], None]] = {
    "zero": zero,
    "max": most,
    "echo": echo,
    "crash": crash,
    "hang": hang,
    "slow": slow,
    "liar": liar,
    "flood": flood,
}

if __name__ == "__main__":
    DOUBLES[sys.argv[1]]()
