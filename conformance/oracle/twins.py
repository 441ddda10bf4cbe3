"""Two conversations that differ in one thing: what that thing must not change, or not raise.

Each twin rewrites the requests of a conversation; a fresh target answers them, and the views of the
same steps are compared. Such checks need no model of a bank at all.
"""

from collections.abc import Callable, Iterator
from itertools import groupby

from conformance.oracle.breach import Breach, Exchange, Plain
from conformance.oracle.words import is_wish

WRAP_MS = 1 << 30
CURRENTS = ("charge_current_limit_ma", "discharge_current_limit_ma")
MOST_MA = 1_000_000  # what a pack can say; half of an impossible value could be a possible one
COUNTERS = ("rejected", "last_refusal", "findings", "packs")  # may differ without harm

Rewrite = Callable[[list[Plain]], list[Plain]]


def other_order(requests: list[Plain]) -> list[Plain]:
    """Packs are configured, and report within one instant, in the opposite order."""
    turned: list[Plain] = []
    for (op, _), group in groupby(requests, lambda one: (one.get("op"), one.get("t"))):
        batch = list(group)
        names = [str(one.get("pack")) for one in batch]
        if op == "report" and len(set(names)) == len(names):
            batch.reverse()
        turned.extend(batch)
    return [_with_settings(one, _packs_reversed) for one in turned]


def said_twice(requests: list[Plain]) -> list[Plain]:
    """Every reading arrives twice."""
    return [one for one in requests for _ in range(2 if one.get("op") == "report" else 1)]


def other_clock(requests: list[Plain]) -> list[Plain]:
    """The driver's counter started elsewhere, so that it wraps half way through."""
    times = sorted(time for one in requests if type(time := one.get("t")) is int)
    shift = WRAP_MS - times[len(times) // 2] if times else 0
    return [
        {**one, "t": (one["t"] + shift) % WRAP_MS} if type(one.get("t")) is int else one  # type: ignore[operator]
        for one in requests
    ]


def no_wishes(requests: list[Plain]) -> list[Plain]:
    """The owner asks for nothing."""
    return [
        {"op": "hello", "kit": 1} if one.get("op") == "request" and is_wish(one) else one
        for one in requests
    ]


def ran_out(requests: list[Plain]) -> list[Plain]:
    """The owner never asked for what has long run out."""
    return [{"op": "hello", "kit": 1} if _ends(one) else one for one in requests]


def has_run_out(history: list[Exchange]) -> bool:
    """Is there a wish with an end, and was it alone of its kind, pack and source?"""
    asked = [one for one, _ in history if one.get("op") == "request" and is_wish(one)]
    keys = [(one.get("kind"), one.get("pack"), one.get("source", "")) for one in asked]
    alone = [keys.count(key) == 1 for one, key in zip(asked, keys, strict=True) if _ends(one)]
    restarted = any(one.get("op") == "restore" for one, _ in history)
    return bool(alone) and all(alone) and len(asked) <= 16 and not restarted


def _ends(request: Plain) -> bool:
    return is_wish(request) and type(request.get("lasts_ms")) is int


def lower_limits(requests: list[Plain]) -> list[Plain]:
    """The pack that reports first may take half of what it says."""
    first = next((one.get("pack") for one in requests if one.get("op") == "report"), None)
    return [
        _halved(one) if one.get("op") == "report" and one.get("pack") == first else one
        for one in requests
    ]


def _halved(report: Plain) -> Plain:
    halves = {
        name: value // 2
        for name in CURRENTS
        if type(value := report.get(name)) is int and 0 <= value <= MOST_MA
    }
    return {**report, **halves}


def _with_settings(request: Plain, change: Callable[[Plain], Plain]) -> Plain:
    settings = request.get("settings")
    if request.get("op") != "reset" or not isinstance(settings, dict):
        return request
    return {**request, "settings": change(settings)}


def _packs_reversed(settings: Plain) -> Plain:
    packs = settings.get("packs")
    return {**settings, "packs": packs[::-1]} if isinstance(packs, list) else settings


# name, how it is rewritten, requirement, what is compared: "same" (every field), "same at the end"
# (the current limits), or which of the two may not be "above" the other in a current limit
TWINS: dict[str, tuple[Rewrite, str, str]] = {
    "other_order": (other_order, "REQ-MRG-09", "same"),
    "said_twice": (said_twice, "REQ-MRG-08", "same"),
    "other_clock": (other_clock, "REQ-SIL-10", "same"),
    "no_wishes": (no_wishes, "REQ-WSH-01", "told not above twin"),
    "ran_out": (ran_out, "REQ-WSH-03", "same at the end"),
    "lower_limits": (lower_limits, "REQ-LIM-07", "twin not above told"),
}


def compare(name: str, views: list[Plain], twin_views: list[Plain]) -> Iterator[Breach]:
    """Yield where two conversations differ as they must not. Views are those of every step."""
    rewrite, requirement, relation = TWINS[name]
    what = (rewrite.__doc__ or "").rstrip(".").strip()
    for number, (told, twin) in enumerate(zip(views, twin_views, strict=False)):
        if relation == "same":
            for field in told:
                if field not in COUNTERS and told[field] != twin.get(field):
                    text = f"step {number}: {field} is {twin.get(field)} instead of {told[field]} if: {what}"
                    path = "view." + field
                    yield Breach(requirement, number, text, path, "eq", told[field])
            continue
        if relation == "same at the end":
            for field in CURRENTS if number == len(views) - 1 else ():
                if told.get(field) != twin.get(field):
                    text = f"{field} is {told.get(field)}, but {twin.get(field)} if: {what}"
                    path = "view." + field
                    yield Breach(requirement, number, text, path, "eq", twin.get(field))
            continue
        lower, upper = (told, twin) if relation == "told not above twin" else (twin, told)
        for field in CURRENTS:
            low, high = lower.get(field), upper.get(field)
            if isinstance(low, int) and isinstance(high, int) and low > high:
                text = f"step {number}: {field} is {told[field]}, but {twin[field]} if: {what}"
                yield Breach(requirement, number, text, "view." + field, "le", high)
