"""How far the total may go, by what the packs say they carry now.

Extra current splits in parts that nobody knows: no pack has more than so many times the resistance
of another (assumed_resistance_ratio), which bounds the part of the one with the least room. A bridge
that is more careful still counts on all of it; one that uses readings that are a little old may, too.
Source: docs/explanation/headroom.md, s_max = 1/(1 + (n - 1)/ratio).
"""

from collections.abc import Iterator

from conformance.oracle.exact import Exact, ratio
from conformance.oracle.reader import Reader
from conformance.oracle.records import Reading
from conformance.oracle.site import UNHEARD, flow_ma, path_open, usable_ma

NOTHING = 0
Limits = dict[str, Exact]


def reading(now: Reader, side: str) -> Reading | None:
    """Return what flows in a direction, as every heard pack says; None: a current is unknown."""
    flows = {pack.name: flow_ma(pack, side) for pack in now.heard()}
    known = {name: flow for name, flow in flows.items() if flow is not None}
    if len(known) < len(flows):
        return None
    silent = [flow_ma(pack, side) or 0 for pack in now.some(UNHEARD)]
    total = sum(known.values()) + sum(min(0, flow) for flow in silent)
    return Reading(now.now_ms, total, known)


def limits(now: Reader, side: str) -> Limits:
    """Return what each heard pack with a path may take."""
    assert now.settings is not None
    zero_ma, margin = now.settings.zero_current_ma, now.settings.margin_permille
    return {
        pack.name: usable_ma(pack, side, margin)
        for pack in now.heard()
        if not path_open(pack, side, zero_ma)
    }


def room(most: Limits, then: Reading) -> tuple[Exact, str]:
    """Return the least room beside the currents of a reading, and whose it is."""
    return min((limit - then.flows[name], name) for name, limit in most.items())


def excess(said: Reading | None, most: Limits) -> tuple[str, Exact] | None:
    """Return the pack that is measured furthest above what it may take, and the total that at
    least takes the excess off [mA]; None: there is none, or a current is unknown."""
    if said is None or not most:
        return None
    left, name = room(most, said)
    return (name, said.total + left) if left < 0 else None


def widest(
    now: Reader, side: str, got: int, said: Reading | None, most: Limits
) -> Iterator[tuple[str, Exact, str]]:
    """Yield the largest total that the packs' readings show to be safe, if `got` is above what the
    last one shows, while the current flows this way."""
    settings, readings = now.settings, now.sides[side].readings
    assert settings is not None
    if said is None or not most:
        readings.clear()
        return
    if readings and readings[-1].flows.keys() != said.flows.keys():
        readings.clear()
    readings.append(said)
    kept_ms = settings.coherent_keep_ms + 2 * max(settings.coherent_ms, settings.fresh_ms)
    stretch = 1 + ratio(len(said.flows) - 1, settings.assumed_resistance_ratio)
    while now.now_ms - readings[0].at_ms > kept_ms:
        readings.pop(0)
    learned = getattr(settings, side + "_sharing") == "learned"
    left, name = room(most, said)
    if said.total < 0 or left < 0 or learned or got <= said.total + left:
        return
    lefts = [(then.total, room(most, then)[0]) for then in readings]
    totals = [total + left * (stretch if left > 0 else 1) for total, left in lefts]
    yield "REQ-LIM-05", max(NOTHING, *totals), f"{name} has no more room, by its own reading"
