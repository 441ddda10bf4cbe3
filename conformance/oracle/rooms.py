"""How far the total may go, by what the packs say they carry now.

Extra current splits in parts that nobody knows, so all of it may land in the pack with the least
room. Source: docs/explanation/headroom.md. For discharge a bridge may count on the assumed ratio of
resistances instead, and on readings that are a little old; the bound here is as wide as that allows.
"""

from collections.abc import Iterator
from fractions import Fraction

from conformance.oracle.reader import Reader
from conformance.oracle.records import Reading
from conformance.oracle.site import UNHEARD, flow_ma, path_open, usable_ma

NOTHING = Fraction(0)


def reading(now: Reader, side: str) -> Reading | None:
    """Return what flows in a direction, as every heard pack says; None: a current is unknown."""
    flows = {pack.name: flow_ma(pack, side) for pack in now.heard()}
    known = {name: flow for name, flow in flows.items() if flow is not None}
    if len(known) < len(flows):
        return None
    silent = [flow_ma(pack, side) or 0 for pack in now.some(UNHEARD)]
    total = sum(known.values()) + sum(min(0, flow) for flow in silent)
    return Reading(now.now_ms, total, known)


def room(now: Reader, side: str, then: Reading) -> tuple[Fraction, str] | None:
    """Return the least room beside the currents of a reading, and whose it is; None: no path."""
    assert now.settings is not None
    zero_ma, margin = now.settings.zero_current_ma, now.settings.margin_permille
    rooms = [
        (usable_ma(pack, side, margin) - then.flows[pack.name], pack.name)
        for pack in now.heard()
        if not path_open(pack, side, zero_ma)
    ]
    return min(rooms, default=None)


def excess(now: Reader, side: str) -> tuple[str, Fraction] | None:
    """Return the pack that is measured furthest above what it may take, and the total that at
    least takes the excess off [mA]; None: there is none, or a current is unknown."""
    said = reading(now, side)
    least = room(now, side, said) if said else None
    if said is None or least is None or least[0] >= 0:
        return None
    return least[1], said.total + least[0]


def widest(now: Reader, side: str) -> Iterator[tuple[str, Fraction, str]]:
    """Yield the largest total that the packs' readings show to be safe, while it flows this way."""
    settings = now.settings
    assert settings is not None
    said = reading(now, side)
    least = room(now, side, said) if said else None
    if said is None or least is None:
        now.sides[side].readings.clear()
        return
    if side == "discharge" or settings.charger_limits == "output":
        kept_ms = settings.coherent_keep_ms + 2 * max(settings.coherent_ms, settings.fresh_ms)
        stretch = 1 + Fraction(len(said.flows) - 1, settings.assumed_resistance_ratio)
    else:
        kept_ms, stretch = 0, Fraction(1)
    readings = now.sides[side].readings
    readings[:] = [
        then
        for then in readings
        if now.now_ms - then.at_ms <= kept_ms and then.flows.keys() == said.flows.keys()
    ]
    readings.append(said)
    learned = getattr(settings, side + "_sharing") == "learned"
    if said.total < 0 or least[0] < 0 or learned:
        return
    totals = [
        then.total + least_then[0] * (stretch if least_then[0] > 0 else 1)
        for then in readings
        if (least_then := room(now, side, then)) is not None
    ]
    why = f"{least[1]} has no more room, by its own reading"
    yield "REQ-LIM-05", max(NOTHING, *totals), why
