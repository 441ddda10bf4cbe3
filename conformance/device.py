"""Our own aggregator behind the driver protocol: JSON lines on standard input and output.

One request a line, one answer a line, keys sorted. Runs unchanged as `python -m
conformance.device` and `micropython -m conformance.device`. Nothing a driver sends may crash it.
docs/reference/driver-protocol.md has the operations.
"""

import json
import sys

from aggregator import Aggregator, Refusal, SettingsError, __version__
from aggregator.errors import told
from aggregator.plain import (
    bus_from,
    cap_to_plain,
    json_text,
    report_from,
    request_from,
    settings_from,
    view_to_plain,
)

PROTOCOL = 1
SUPPORTS = ["merge", "limits", "stages", "requests", "time"]
LONGEST_LINE = 65_536


class Device:
    """One bank under a driver. `answer` takes a parsed request and returns a plain answer."""

    def __init__(self) -> None:
        self.bank: Aggregator | None = None
        self.done = False

    def answer(self, request: object) -> dict[str, object]:
        """Return the answer to one request; never raises."""
        if not isinstance(request, dict):
            return _no("expected an object with an op", "op")
        op = request.get("op")
        for name, needs_bank, act in OPERATIONS:
            if name == op:
                if needs_bank and self.bank is None:
                    return _no("expected reset first", "op")
                fields = {key: request[key] for key in request if key != "op" and key != "t"}
                return act(self, request.get("t"), fields)  # type: ignore[arg-type]  # checked inside
        return _no("unsupported", None)


def _no(error: str, field: str | None) -> dict[str, object]:
    answer: dict[str, object] = {"ok": False, "error": error}
    if field is not None:
        answer["field"] = field
    return answer


def _outcome(refusal: Refusal | None) -> dict[str, object]:
    return {"ok": True} if refusal is None else _no(str(refusal), refusal.field)


# The operations: functions of the device, the driver's time and the other fields.


def hello(device: Device, now_ms: object, fields: dict[str, object]) -> dict[str, object]:
    """Say who we are and what we support."""
    return {
        "ok": True,
        "name": "packyoke",
        "version": __version__,
        "protocol": PROTOCOL,
        "supports": SUPPORTS,
    }


def reset(device: Device, now_ms: object, fields: dict[str, object]) -> dict[str, object]:
    """Start anew with the settings given; only `packs` is required."""
    try:
        bank = Aggregator(settings_from(fields.get("settings")))
    except SettingsError as error:
        return _no(str(error), error.field)
    device.bank = bank
    return {"ok": True}


def report(device: Device, now_ms: int, fields: dict[str, object]) -> dict[str, object]:
    """One pack's report."""
    made = report_from(fields)
    return _outcome(made if isinstance(made, Refusal) else device.bank.accept(made, now_ms))  # type: ignore[union-attr]


def bus(device: Device, now_ms: int, fields: dict[str, object]) -> dict[str, object]:
    """A reading of a meter on the common bus."""
    made = bus_from(fields)
    return _outcome(made if isinstance(made, Refusal) else device.bank.bus(made, now_ms))  # type: ignore[union-attr]


def request(device: Device, now_ms: int, fields: dict[str, object]) -> dict[str, object]:
    """A wish, command or declaration."""
    made = request_from(fields)
    return _outcome(made if isinstance(made, Refusal) else device.bank.request(made, now_ms))  # type: ignore[union-attr]


def step(device: Device, now_ms: int, fields: dict[str, object]) -> dict[str, object]:
    """Work everything out, and show the view."""
    if type(now_ms) is not int:
        return _no("t: expected an integer of milliseconds, got " + told(now_ms), "t")
    return {"ok": True, "view": view_to_plain(device.bank.step(now_ms))}  # type: ignore[union-attr]


def why(device: Device, now_ms: int, fields: dict[str, object]) -> dict[str, object]:
    """Every cap on one limit, tightest first."""
    limit = fields.get("limit")
    caps = device.bank.why(limit) if isinstance(limit, str) else []  # type: ignore[union-attr]
    if not caps:
        return _no("limit: expected the name of a limit, got " + told(limit), "limit")
    return {"ok": True, "caps": [cap_to_plain(cap) for cap in caps]}


def snapshot(device: Device, now_ms: int, fields: dict[str, object]) -> dict[str, object]:
    """What must survive a restart."""
    return {"ok": True, "state": device.bank.snapshot()}  # type: ignore[union-attr]


def restore(device: Device, now_ms: int, fields: dict[str, object]) -> dict[str, object]:
    """Take up a snapshot."""
    return _outcome(device.bank.restore(fields.get("state"), now_ms))  # type: ignore[union-attr,arg-type]


def may_speak(device: Device, now_ms: int, fields: dict[str, object]) -> dict[str, object]:
    """May a frame go to a charger at this moment?"""
    return {"ok": True, "may_speak": device.bank.may_speak(now_ms)}  # type: ignore[union-attr]


def bye(device: Device, now_ms: object, fields: dict[str, object]) -> dict[str, object]:
    """The last request."""
    device.done = True
    return {"ok": True}


# name, needs a bank, what it does
OPERATIONS = (
    ("hello", False, hello),
    ("reset", False, reset),
    ("report", True, report),
    ("bus", True, bus),
    ("request", True, request),
    ("step", True, step),
    ("why", True, why),
    ("snapshot", True, snapshot),
    ("restore", True, restore),
    ("may_speak", True, may_speak),
    ("bye", False, bye),
)


def answer_line(device: Device, line: str) -> str | None:
    """Return the answer to one line; None for an empty one or a log line (#)."""
    line = line.strip()
    if not line or line[0] == "#":
        return None
    if len(line) > LONGEST_LINE:
        return json_text(_no("line too long, at most 65536 characters", None))
    try:
        parsed = json.loads(line)
    except (ValueError, RuntimeError):  # RuntimeError: nested deeper than the interpreter goes
        return json_text(_no("not JSON", None))
    return json_text(device.answer(parsed))


def text_of(line: bytes) -> str:
    """Return a line as text; bytes that are none become question marks."""
    try:
        return line.decode()
    except UnicodeError:
        return bytes([byte if byte < 128 else 63 for byte in line]).decode()


def main() -> None:
    """Answer lines from standard input until it ends, or until `bye`."""
    device = Device()
    lines = getattr(sys.stdin, "buffer", sys.stdin)
    while not device.done:
        line = rest = lines.readline(LONGEST_LINE + 1)
        while len(rest) > LONGEST_LINE and rest[-1] not in (10, "\n"):
            rest = lines.readline(LONGEST_LINE + 1)  # not kept: a board has no room for it
        if not line:
            break
        answer = answer_line(device, line if isinstance(line, str) else text_of(line))
        if answer is not None:
            sys.stdout.write(answer + "\n")
            if hasattr(sys.stdout, "flush"):
                sys.stdout.flush()


if __name__ == "__main__":
    main()
