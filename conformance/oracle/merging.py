"""Is the bank described as it is? A field that the target does not have is not asked for."""

from collections.abc import Iterable, Iterator
from fractions import Fraction

from conformance.oracle.breach import Breach, differs
from conformance.oracle.reader import Reader
from conformance.oracle.site import LIVE, REMOVED, Pack

FINEST_MAH = 100  # capacities may be summed in 0.1 Ah


def merging(now: Reader) -> Iterator[Breach]:
    """Yield every value of the view that does not follow from what the packs said."""
    if not now.is_sure():
        return
    live, heard = now.some(LIVE), now.heard()
    there = [pack for pack in now.packs if pack.presence != REMOVED]
    yield from _equal(now, "REQ-MRG-02", "voltage_mv", now.voltage_mv())
    yield from _equal(now, "REQ-MRG-02", "voltage_min_mv", _least(live, "voltage_mv"))
    yield from _equal(now, "REQ-MRG-02", "voltage_max_mv", _most(live, "voltage_mv"))
    flows = [pack.number("current_ma") for pack in heard]
    if live and None not in flows:
        total = sum(flow for flow in flows if flow is not None)
        yield from _equal(now, "REQ-MRG-01", "current_ma", total)
        power = now.view.get("power_w")
        if isinstance(power, int) and power * total < 0:
            yield differs("REQ-MRG-01", now.now_ms, "power_w", power, -power)
    yield from _charge(now, heard)
    yield from _extreme(now, there, "cell_min", "_mv", -1, "REQ-MRG-05")
    yield from _extreme(now, there, "cell_max", "_mv", 1, "REQ-MRG-05")
    yield from _extreme(now, there, "temperature_min", "_decic", -1, "REQ-MRG-06")
    yield from _extreme(now, there, "temperature_max", "_decic", 1, "REQ-MRG-06")
    for name in ("warnings", "protections"):
        union = sorted({alarm for pack in there for alarm in _listed(pack.said.get(name))})
        if name in now.view and sorted(_listed(now.view[name])) != union:
            yield differs("REQ-MRG-07", now.now_ms, name, now.view[name], union)
    wanting = any(
        pack.presence != LIVE
        or pack.number("soc_permille") is None
        or pack.number("capacity_mah") is None
        for pack in there
    )
    if "partial" in now.view and now.view["partial"] is not wanting:
        yield differs("REQ-MRG-11", now.now_ms, "partial", now.view["partial"], wanting)


def _charge(now: Reader, heard: list[Pack]) -> Iterator[Breach]:
    weighed = _weighed(heard)
    if weighed:
        least, most = _least(heard, "soc_permille"), _most(heard, "soc_permille")
        yield from _equal(now, "REQ-MRG-03", "soc_min_permille", least)
        yield from _equal(now, "REQ-MRG-03", "soc_max_permille", most)
    weights = [(pack.number("capacity_mah") or 0) for pack in weighed]
    socs = [(pack.number("soc_permille") or 0) for pack in weighed]
    got = now.view.get("soc_permille")
    if "soc_permille" in now.view and sum(weights) >= FINEST_MAH:
        mean = Fraction(sum(s * w for s, w in zip(socs, weights, strict=True)), sum(weights))
        coarse = any(weight % FINEST_MAH for weight in weights)
        slack = Fraction(1_000 * FINEST_MAH * len(weights), sum(weights)) if coarse else 0
        fits = isinstance(got, int) and mean - 1 - slack < got <= mean + slack
        if not fits:
            yield differs("REQ-MRG-03", now.now_ms, "soc_permille", got, int(mean))
        if (got == 1_000) is not all(soc == 1_000 for soc in socs):
            yield differs("REQ-MRG-04", now.now_ms, "soc_permille", got, int(mean))
    capacity, sizes = now.view.get("capacity_mah"), [p.number("capacity_mah") for p in heard]
    total = sum(size for size in sizes if size is not None)
    if isinstance(capacity, int) and not total - FINEST_MAH * len(sizes) <= capacity <= total:
        yield differs("REQ-MRG-12", now.now_ms, "capacity_mah", capacity, total)
    yield from _equal(now, "REQ-MRG-12", "soh_permille", _least(heard, "soh_permille"))


def _weighed(heard: list[Pack]) -> list[Pack]:
    """Packs that say both their charge and their capacity."""
    return [
        pack
        for pack in heard
        if pack.number("soc_permille") is not None and pack.number("capacity_mah") is not None
    ]


def _extreme(
    now: Reader, packs: list[Pack], name: str, unit: str, sign: int, requirement: str
) -> Iterator[Breach]:
    """The extreme value, and the pack and place it is in."""
    field = name + unit
    want = (_most if sign > 0 else _least)(packs, field)
    yield from _equal(now, requirement, field, want)
    holders = [pack for pack in packs if want is not None and pack.number(field) == want]
    got = now.view.get(name + "_pack")
    names: list[object] = [pack.name for pack in holders] or [None]
    if name + "_pack" in now.view and got not in names:
        yield differs(requirement, now.now_ms, name + "_pack", got, names[0])


def _equal(now: Reader, requirement: str, field: str, want: object) -> Iterator[Breach]:
    if field in now.view and now.view[field] != want:
        found = "REQ-MRG-10" if want is None else requirement
        yield differs(found, now.now_ms, field, now.view[field], want)


def _numbers(packs: Iterable[Pack], field: str) -> list[int]:
    return [value for pack in packs if (value := pack.number(field)) is not None]


def _least(packs: Iterable[Pack], field: str) -> int | None:
    return min(_numbers(packs, field), default=None)


def _most(packs: Iterable[Pack], field: str) -> int | None:
    return max(_numbers(packs, field), default=None)


def _listed(value: object) -> list[str]:
    return [str(one) for one in value] if isinstance(value, list) else []
