"""How a target behaves as a partner in the protocol, answer by answer."""

from collections.abc import Iterator

from conformance.oracle.breach import Breach, Plain
from conformance.oracle.reader import Reader
from conformance.oracle.records import settings_of
from conformance.oracle.words import MOST_WISHES, WISHES, sound_bus, sound_report, sound_wish

OPERATIONS = frozenset(
    (
        *("hello", "reset", "report", "bus", "request", "step", "why", "snapshot", "restore"),
        *("may_speak", "raw", "link", "restart", "bye"),
    )
)


COMMANDS = (
    *("clear", "restore_pack", "start_bulk", "adjust_stage"),
    *("declare_removed", "declare_returned"),
)


def conduct(now: Reader, request: Plain, answer: Plain) -> Iterator[Breach]:
    """Yield what is wrong with one answer; `now` is what was known before it."""
    at_ms = now.at(request.get("t")) if now.settings is not None else 0
    fine, op = answer.get("ok"), request.get("op")
    if fine is not True and fine is not False:
        yield _answer("REQ-PRO-01", at_ms, "ok", fine, "true or false")
        return
    if op not in OPERATIONS:
        if fine or answer.get("error") != "unsupported":
            yield _answer("REQ-PRO-03", at_ms, "error", answer.get("error"), "unsupported")
        return
    if op == "hello":
        yield from _hello(at_ms, answer)
    if op == "reset" and fine and settings_of(request) is None:
        yield _answer("REQ-PRO-10", at_ms, "ok", fine, False)
    if now.settings is None or answer.get("error") == "unsupported":
        return
    must_not = _must_not(now, request)
    if must_not is not None and fine:
        yield _answer(must_not, at_ms, "ok", fine, False)
    if op == "report" and must_not is not None and not isinstance(answer.get("field"), str):
        text = f"the refusal names no field: {answer.get('error')}"
        yield Breach("REQ-PRO-12", at_ms, text, "field", "ne", None)
    if op == "why" and fine:
        yield from _why(now, request, answer)
    if op == "may_speak" and answer.get("may_speak") is True and not _may_speak(now, request):
        yield _answer("REQ-SIL-13", at_ms, "may_speak", True, False)


def _answer(requirement: str, at_ms: int, field: str, got: object, want: object) -> Breach:
    text = f"the answer's {field} is {got}, and must be {want}"
    return Breach(requirement, at_ms, text, field, "eq", want)


def _hello(at_ms: int, answer: Plain) -> Iterator[Breach]:
    """Who is there has a name and a version."""
    for field in ("name", "version"):
        if not isinstance(answer.get(field), str):
            text = f"hello does not say its {field}"
            yield Breach("REQ-PRO-02", at_ms, text, field, "ne", None)


def _must_not(now: Reader, request: Plain) -> str | None:
    """Return why a request must be refused; None: it may be taken."""
    assert now.settings is not None
    names = [pack.name for pack in now.packs]
    op, kind = request.get("op"), request.get("kind")
    if op == "report":
        field = sound_report(request, names, now.settings.cell_count)
        if field == "pack":
            return "REQ-PRO-08"
        strange = field is not None and type(request.get(field)) in (str, float, bool)
        return None if field is None else "REQ-PRO-11" if strange else "REQ-PRO-04"
    if op == "bus" and not sound_bus(request):
        return "REQ-PRO-04"
    if op == "step" and type(request.get("t")) is not int:
        return "REQ-PRO-11"
    if op == "request" and not isinstance(kind, str):
        return "REQ-WSH-05"
    if op == "request" and kind in WISHES:
        if not sound_wish(request, names):
            return "REQ-WSH-05"
        return "REQ-WSH-09" if _is_full(now, request) else None
    if op == "request" and kind == "clear":
        there = [wish.key() for wish in now.wishes]
        gone = (request.get("field"), request.get("pack"), request.get("source", ""))
        return None if gone in there else "REQ-WSH-05"
    if op == "request" and kind not in (*WISHES, *COMMANDS):
        return "REQ-WSH-05"
    if op == "request" and kind == "adjust_stage" and not _may_adjust(now, request):
        return "REQ-WSH-08"
    if op == "request" and kind == "declare_removed" and request.get("pack") in names:
        return "REQ-SIL-12" if now.pack(str(request["pack"])).is_heard() else None
    return None


def _may_adjust(now: Reader, request: Plain) -> bool:
    """Did the installer open this stage setting, and so far?"""
    assert now.settings is not None
    value = request.get("value")
    return any(
        name == request.get("field") and type(value) is int and low <= value <= high
        for name, low, high in now.settings.stages.adjustable
    )


def _is_full(now: Reader, request: Plain) -> bool:
    """Are 16 other wishes in force? Those that may have run out since the last step count not."""
    key = (request.get("kind"), request.get("pack"), request.get("source", ""))
    at_ms = now.at(request.get("t"))
    others = [
        wish
        for wish in now.wishes
        if wish.key() != key and (wish.until_ms is None or wish.until_ms > at_ms)
    ]
    return len(others) >= MOST_WISHES


def _why(now: Reader, request: Plain, answer: Plain) -> Iterator[Breach]:
    """The first cap is the limit, and they are in order."""
    limit, caps = request.get("limit"), answer.get("caps")
    if not isinstance(caps, list) or not caps or not now.view:
        return
    name = str(limit) + ("_limit_ma" if str(limit).endswith("current") else "_limit_mv")
    values = [cap.get("value") for cap in caps]
    if values[0] != now.view.get(name):
        yield _answer("REQ-LIM-22", now.now_ms, "caps.0.value", values[0], now.view.get(name))
    ordered = sorted(values, reverse=limit == "discharge_voltage")
    if values != ordered:
        yield _answer("REQ-LIM-22", now.now_ms, "caps", values, ordered)


def _may_speak(now: Reader, request: Plain) -> bool:
    """Somebody is heard, and the last step is fresh."""
    assert now.settings is not None
    if not now.view or not now.heard():
        return False
    return now.at(request.get("t")) - now.now_ms <= now.settings.fresh_ms
