"""Our own aggregator behind the driver protocol: one line in, one line out, and nothing crashes."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from conformance.device import LONGEST_LINE, OPERATIONS, Device, answer_line
from tests.bank import HEALTHY

ROOT = Path(__file__).parent.parent.parent
RESET = {"op": "reset", "t": 0, "settings": {"packs": [{"pack": "oak", "capacity_mah": 314_000}]}}


class Driver:
    """A driver that speaks to a device line by line."""

    def __init__(self, reset: bool = True) -> None:
        self.device = Device()
        if reset:
            assert self.asks(**RESET) == {"ok": True}

    def asks(self, **request: object) -> dict[str, object]:
        """Send one request as a line and return the parsed answer."""
        line = answer_line(self.device, json.dumps(request))
        assert line is not None
        answer: dict[str, object] = json.loads(line)
        return answer

    def runs(self, seconds: int) -> dict[str, object]:
        """oak reports every second; returns the last view."""
        view: object = None
        for second in range(1, seconds + 1):
            t = second * 1_000
            sent = self.asks(op="report", t=t, pack="oak", sample=second, **HEALTHY)
            assert sent == {"ok": True}
            view = self.asks(op="step", t=t)["view"]
        assert isinstance(view, dict)
        return view


def test_hello_says_who_we_are() -> None:
    """Name, version, protocol and what is supported, before any reset."""
    answer = Driver(reset=False).asks(op="hello", kit=1)
    assert answer["ok"] is True
    assert (answer["name"], answer["protocol"]) == ("packyoke", 1)
    assert answer["supports"] == ["merge", "limits", "stages", "requests", "time"]


def test_a_day_over_the_wire() -> None:
    """Reports and steps, a wish, its reason, and the goodbye."""
    driver = Driver()
    assert driver.runs(60)["charge_current_limit_ma"] == 97_000
    wish = {"kind": "cap_charge_current", "value": 75_000, "lasts_ms": 7_200_000, "source": "phone"}
    assert driver.asks(op="request", t=60_000, **wish) == {"ok": True}
    driver.asks(op="step", t=61_000)
    answer = driver.asks(op="why", t=61_000, limit="charge_current")
    assert answer["caps"][0] == {"value": 75_000, "rule": "owner_cap", "pack": None}  # type: ignore[index]
    assert driver.asks(op="may_speak", t=61_000) == {"ok": True, "may_speak": True}
    assert driver.device.done is False
    assert driver.asks(op="bye") == {"ok": True}
    assert driver.device.done is True


def test_a_bad_report_is_told_with_its_field() -> None:
    """As the protocol's own example has it."""
    answer = Driver().asks(op="report", t=120, pack="oak", sample=1, soc_permille=1_200)
    assert answer == {
        "ok": False,
        "error": "soc_permille: expected 0..1000 or null, got 1200",
        "field": "soc_permille",
    }


def test_a_bus_reading_supplies_an_unknown_current() -> None:
    """The meter's operation reaches the core."""
    driver = Driver()
    driver.runs(5)
    driver.asks(op="report", t=6_000, pack="oak", sample=6, **{**HEALTHY, "current_ma": None})
    assert driver.asks(op="bus", t=6_000, sample=1, current_ma=9_000) == {"ok": True}
    view = driver.asks(op="step", t=6_000)["view"]
    assert view["current_ma"] == 9_000  # type: ignore[index]
    assert driver.asks(op="bus", t=6_000, sample=1, current_a=9)["field"] == "current_a"


def test_a_snapshot_travels_to_another_device() -> None:
    """What one device saves another takes up, and a spoilt one is refused."""
    first = Driver()
    first.runs(5)
    state = first.asks(op="snapshot", t=5_000)["state"]
    second = Driver()
    assert second.asks(op="restore", t=0, state=state) == {"ok": True}
    assert second.asks(op="snapshot", t=0)["state"] == state
    assert second.asks(op="restore", t=0, state=None)["field"] == "state"


def test_a_reset_starts_anew_and_a_bad_one_changes_nothing() -> None:
    """After a good reset nothing is known; after a refused one the old bank is still there."""
    driver = Driver()
    driver.runs(5)
    answer = driver.asks(op="reset", t=0, settings={"packs": []})
    assert (answer["ok"], answer["field"]) == (False, "packs")
    assert driver.asks(op="step", t=5_000)["view"]["voltage_mv"] == 53_000  # type: ignore[index]
    driver.asks(**RESET)
    assert driver.asks(op="step", t=5_000)["view"]["voltage_mv"] is None  # type: ignore[index]


@pytest.mark.parametrize("op", [name for name, needs_bank, _ in OPERATIONS if needs_bank])
def test_without_a_reset_there_is_no_bank(op: str) -> None:
    """Every operation on a bank says so, instead of failing."""
    assert Driver(reset=False).asks(op=op, t=0) == {
        "ok": False,
        "error": "expected reset first",
        "field": "op",
    }


@pytest.mark.parametrize("op", ["raw", "link", "restart", "", "HELLO", None, 7, [], {}, True])
def test_an_unknown_operation_is_unsupported(op: object) -> None:
    """Work that this device does not do is refused in the protocol's words."""
    assert Driver().asks(op=op, t=0) == {"ok": False, "error": "unsupported"}


@pytest.mark.parametrize("op", ["report", "bus", "request", "step", "restore"])
@pytest.mark.parametrize("t", [None, "0", 0.5, True, [], {}])
def test_time_is_an_integer(op: str, t: object) -> None:
    """An operation that takes time refuses anything else, and says so."""
    fields: dict[str, dict[str, object]] = {
        "report": {"pack": "oak", "sample": 1},
        "bus": {"sample": 1},
        "request": {"kind": "stop_charge"},
        "restore": {"state": Driver().asks(op="snapshot", t=0)["state"]},
    }
    answer = Driver().asks(op=op, t=t, **fields.get(op, {}))
    assert answer["ok"] is False
    assert answer["field"] in ("t", "now_ms")


@pytest.mark.parametrize("limit", [None, "", "voltage", 7, [], {}])
def test_why_wants_the_name_of_a_limit(limit: object) -> None:
    """Otherwise the field is named."""
    assert Driver().asks(op="why", t=0, limit=limit)["field"] == "limit"


@pytest.mark.parametrize(
    ("line", "error"),
    [
        ("{", "not JSON"),
        ("}{", "not JSON"),
        ('{"op":"hello"', "not JSON"),
        ("[" * 30_000, "not JSON"),
        ('{"op":' + "9" * 5_000 + "}", "not JSON"),  # too long for an integer
        ("null", "expected an object with an op"),
        ("[]", "expected an object with an op"),
        ('"hello"', "expected an object with an op"),
        ("7", "expected an object with an op"),
        ("{}", "unsupported"),
        ("x" * (LONGEST_LINE + 1), "line too long, at most 65536 characters"),
    ],
    ids=["brace", "braces", "cut", "deep", "huge", "null", "list", "text", "7", "empty", "long"],
)
def test_a_bad_line_gets_an_answer(line: str, error: str) -> None:
    """Nothing that a driver sends may crash the device."""
    answer = answer_line(Device(), line)
    assert answer is not None
    parsed = json.loads(answer)
    assert (parsed["ok"], parsed["error"]) == (False, error)


@pytest.mark.parametrize("line", ["", "   ", "\n", "# a log line", "  # another"])
def test_empty_lines_and_logs_get_none(line: str) -> None:
    """They are no requests."""
    assert answer_line(Device(), line) is None


@pytest.mark.parametrize("field", [*HEALTHY, "pack", "sample", "cells_mv", "warnings"])
@pytest.mark.parametrize(
    "value", ["", "x", 1.5, -1e300, True, [], [[]], {}, {"a": []}, 10**30, "\ud800"]
)
def test_any_json_in_any_field_gets_an_answer(field: str, value: object) -> None:
    """Each field of a report with each type of JSON value: taken or refused, never a crash."""
    report = {"pack": "oak", "sample": 1, **HEALTHY, field: value}
    driver = Driver()
    answer = driver.asks(op="report", t=0, **report)
    fine = value is True and isinstance(HEALTHY.get(field), bool)
    fine = fine or (field == "warnings" and value == [])
    assert answer["ok"] is fine
    assert driver.asks(op="step", t=0)["ok"] is True


def test_the_process_speaks_the_protocol() -> None:
    """Lines on standard input, sorted compact lines on standard output, and an end with bye."""
    lines = ["# a log", json.dumps(RESET), "", "nonsense", '{"op":"step","t":0}', '{"op":"bye"}']
    lines.append('{"op":"hello"}')  # after bye nobody listens
    done = subprocess.run(
        [sys.executable, "-m", "conformance.device"],
        input="\n".join(lines) + "\n",
        capture_output=True,
        text=True,
        timeout=20,
        cwd=ROOT,
        check=True,
    )
    answers = done.stdout.splitlines()
    assert len(answers) == 4
    assert [json.loads(line)["ok"] for line in answers] == [True, False, True, True]
    assert answers[1] == '{"error":"not JSON","ok":false}'
    assert done.stderr == ""


def test_the_process_ends_when_its_input_does() -> None:
    """A driver that hangs up leaves no process behind."""
    done = subprocess.run(
        [sys.executable, "-m", "conformance.device"],
        input='{"op":"hello"}',
        capture_output=True,
        text=True,
        timeout=20,
        cwd=ROOT,
        check=True,
    )
    assert json.loads(done.stdout)["ok"] is True


def test_the_process_goes_on_after_bytes_that_are_no_text() -> None:
    """A cable's noise is refused, whatever the locale makes of bytes."""
    done = subprocess.run(
        [sys.executable, "-m", "conformance.device"],
        input=b'\xff\n{"op":"hello"}\n',
        capture_output=True,
        timeout=20,
        cwd=ROOT,
        env={**os.environ, "PYTHONIOENCODING": "utf-8:strict"},  # as where the locale is UTF-8
        check=True,
    )
    assert [json.loads(line)["ok"] for line in done.stdout.splitlines()] == [False, True]


@pytest.mark.parametrize("length", [LONGEST_LINE, LONGEST_LINE + 1, 10 * LONGEST_LINE])
def test_the_process_answers_a_long_line_once(length: int) -> None:
    """As long as allowed or longer, with a good line behind it; a long log line gets no answer."""
    head, tail = '{"op":"hello","extra":"', '"}'
    line = head + "x" * (length - len(head) - len(tail)) + tail
    done = subprocess.run(
        [sys.executable, "-m", "conformance.device"],
        input=f"{line}\n#{line}\n" + '{"op":"hello"}\n',
        capture_output=True,
        text=True,
        timeout=20,
        cwd=ROOT,
        check=True,
    )
    answers = [json.loads(answer)["ok"] for answer in done.stdout.splitlines()]
    assert answers == [length <= LONGEST_LINE, True]
