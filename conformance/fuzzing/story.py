"""A failing conversation in plain words, and as a vector."""

import json
from collections.abc import Callable
from hashlib import sha256

from conformance.oracle import Breach, Exchange, Plain
from conformance.requirements import BY_ID, level_of

WRAP_MS = 1 << 30
SHOWN = 70  # characters of a hostile line
SILENCE_MS = 2_500  # a pack that has not reported for so long at the end has stopped

UNITS = (("_ma", 1_000, "A"), ("_mah", 1_000, "Ah"), ("_mv", 1_000, "V"), ("_permille", 10, "%"))


def tell(history: list[Exchange], breach: Breach) -> str:
    """Return what happened, a line each, ending with the breach."""
    lines: list[tuple[float, str]] = []
    said: dict[str, Plain] = {}
    heard: dict[str, float] = {}
    start = _start(history)
    last_s = 0.0
    for request, answer in history:
        at_s = _seconds(request, start, last_s)
        last_s = at_s
        op, pack = request.get("op"), str(request.get("pack"))
        if op == "report":
            lines.extend((at_s, text) for text in _report(request, answer, said.get(pack)))
            if answer.get("ok") is True:
                said[pack], heard[pack] = request, at_s
        elif op in WORDS:
            lines.append((at_s, WORDS[op](request) + _refused(answer)))
    for pack, at_s in heard.items():
        if (last_s - at_s) * 1_000 > SILENCE_MS:
            lines.append((at_s, f"{pack} stopped reporting"))
    lines.sort(key=lambda line: line[0])
    told = [f"at {at_s:g} s {text}" for at_s, text in lines]
    told.append(f"at {last_s:g} s {_shown(history, breach)}: {breach.requirement}")
    told.append(f"  {breach.text}")
    if breach.requirement in BY_ID:
        found = BY_ID[breach.requirement]
        told.append(f"  {found.level.upper()}: {found.text} Why: {found.reason}")
    return "\n".join(told)


def _start(history: list[Exchange]) -> int:
    times = [request["t"] for request, _ in history if type(request.get("t")) is int]
    return times[0] if times and isinstance(times[0], int) else 0


def _seconds(request: Plain, start: int, last_s: float) -> float:
    time = request.get("t")
    return (time - start) % WRAP_MS / 1_000 if type(time) is int else last_s


def _report(request: Plain, answer: Plain, before: Plain | None) -> list[str]:
    pack = request.get("pack")
    if answer.get("ok") is not True:
        return [f"a report of {pack} was refused: {answer.get('error')}"]
    if before is None:
        return [f"{pack} reported for the first time"]
    if request.get("sample") == before.get("sample"):
        return [f"{pack} repeated its last sample"]
    return [
        f"{pack}'s {plain_name(name)} went from {plain(name, before.get(name))}"
        f" to {plain(name, request.get(name))}"
        for name in sorted(set(request) | set(before))
        if name not in ("t", "sample", "op") and request.get(name) != before.get(name)
    ]


def plain_name(name: str) -> str:
    """Return a field's name without its unit, in words."""
    for unit, _, _ in UNITS:
        name = name.removesuffix(unit)
    return name.removesuffix("_decic").replace("_", " ")


def plain(name: str, value: object) -> str:
    """Return a value with its unit."""
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, int):
        return str(value)
    if name.endswith("_decic"):
        return f"{value / 10:g} °C"
    for unit, size, sign in UNITS:
        if name.endswith(unit):
            return f"{value / size:g} {sign}"
    return str(value)


def _asked(request: Plain) -> str:
    kind = str(request.get("kind"))
    field = kind.removeprefix("cap_") + "_ma" if "current" in kind else kind
    parts = [f"the owner asked for {kind.replace('_', ' ')}"]
    if request.get("pack") is not None:
        parts.append(f"of {request['pack']}")
    if request.get("field") is not None:
        parts.append(f"({request['field']})")
    if request.get("value") is not None:
        parts.append(plain(field, request["value"]))
    lasts_ms = request.get("lasts_ms")
    if isinstance(lasts_ms, int):
        parts.append(f"for {lasts_ms / 1_000:g} s")
    return " ".join(parts)


def _line(request: Plain) -> str:
    """A hostile line, what it is and how it begins."""
    text = request.get("text")
    shown = json.dumps(text) if isinstance(text, str) else f"bytes {request.get('hex')}"
    times = f", {request['repeat']} times" if "repeat" in request else ""
    cut = shown if len(shown) <= SHOWN else shown[:SHOWN] + "..."
    return f"the line brought {request.get('note')}: {cut}{times}"


WORDS: dict[object, Callable[[Plain], str]] = {
    "reset": lambda _: "the bridge started",
    "request": _asked,
    "restore": lambda _: "the bridge took up what it had kept",
    "line": _line,
    "bus": lambda request: f"the bus meter read {plain('x_ma', request.get('current_ma'))}",
}


def _refused(answer: Plain) -> str:
    if not answer or answer.get("ok") is True:
        return ""
    return f", which was refused: {answer.get('error')}"


def _shown(history: list[Exchange], breach: Breach) -> str:
    """What the last answer did: "your charge limit rose from 50 to 90 A"."""
    name = breach.path.removeprefix("view.")
    views = [view for _, answer in history if isinstance(view := answer.get("view"), dict)]
    if not breach.path.startswith("view.") or not views:
        return "your answer breached"
    now, before = views[-1].get(name), views[-2].get(name) if len(views) > 1 else None
    label = plain_name(name).replace("current limit", "limit")
    if isinstance(now, int) and isinstance(before, int) and now != before:
        verb = "rose" if now > before else "fell"
        return f"your {label} {verb} from {plain(name, before)} to {plain(name, now)}"
    return f"your {label} was {plain(name, now)}"


def vector_file(history: list[Exchange], breach: Breach) -> Plain:
    """Return a vector file with one case: the conversation, and what must be true at its end."""
    requests = [
        dict(request)
        if answer.get("ok") is True or request.get("answers") is False
        else {**request, "expect": {"ok": {"in": [True, False]}}}  # refused on the way
        for request, answer in history
    ]
    settings = next((r["settings"] for r in requests if r.get("op") == "reset"), {})
    body = requests[1:] if requests and requests[0].get("op") == "reset" else requests
    if body and breach.path:
        body[-1]["expect"] = breach.expect()
    name = sha256(json.dumps(requests, sort_keys=True).encode()).hexdigest()[:8]
    found = BY_ID.get(breach.requirement)
    case = {
        "id": f"FOUND-{name}",
        "title": breach.text,
        "level": level_of([breach.requirement]) if found else "must",
        "requirements": [breach.requirement],
        "catches": breach.text,
        "harm": found.reason if found else "",
        "needs": ["limits"],
        "settings": settings,
        "steps": body,
    }
    hostile = any(request.get("op") == "line" for request in requests)
    return {"kit": 1, "area": "wire" if hostile else "found", "cases": [case]}
