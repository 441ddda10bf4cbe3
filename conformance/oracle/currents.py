"""What a current limit may be at most, after each step. Bounds only: a more cautious limit is fine."""

from collections.abc import Iterator

from conformance.oracle.breach import Breach, above, differs
from conformance.oracle.exact import Exact, ratio
from conformance.oracle.reader import SIDES, Reader
from conformance.oracle.records import Side
from conformance.oracle.rooms import excess, limits, reading, widest
from conformance.oracle.site import (
    REMOVED,
    UNHEARD,
    most_ma,
    path_open,
    refuses,
    usable_ma,
)

Cap = tuple[str, Exact, str]  # requirement, mA, why
NOTHING = 0


def currents(now: Reader) -> Iterator[Breach]:
    """Yield every current limit that is above what it may be, or disagrees with its flag."""
    for side in SIDES:
        field = side + "_current_limit_ma"
        got, allowed = now.view.get(field), now.view.get(side + "_allowed")
        denials = list(_denials(now, side))
        if not isinstance(got, int) or isinstance(got, bool) or got < 0:
            yield differs("REQ-PRO-07", now.now_ms, field, got, "an integer, 0 or more")
            continue
        if allowed is not (got > 0):
            yield differs("REQ-LIM-06", now.now_ms, side + "_allowed", allowed, got > 0)
        said, most = reading(now, side), limits(now, side)
        over = excess(said, most)
        caps = [*denials, *_caps(now, side), *_no_rise(now, side)]
        caps += widest(now, side, got, said, most)
        if over is not None:
            why = f"{over[0]} carries more than it may; the excess goes"
            caps.append(("REQ-LIM-17", max(NOTHING, over[1]), why))
        for requirement, bound, why in caps:
            if got > bound:
                yield above(requirement, now.now_ms, field, got, bound, why)
        _remember(now.sides[side], now, bool(denials), over is not None and now.is_sure())


def _remember(side: Side, now: Reader, denied: bool, over: bool) -> None:
    side.denied = denied
    side.denied_at = now.now_ms if denied else side.denied_at
    side.over_at = now.now_ms if over else side.over_at


def _denials(now: Reader, side: str) -> Iterator[Cap]:
    """Caps of 0 that are denials."""
    assert now.settings is not None
    zero_ma = now.settings.zero_current_ma
    if now.wished("stop_" + side):
        yield "REQ-WSH-04", NOTHING, "the owner said stop, and has not cleared it"
    for pack in now.heard():
        if refuses(pack, side, zero_ma):
            why = f"{pack.name} refuses, and its path is closed or not known to be open"
            yield "REQ-LIM-04", NOTHING, why
    for pack in now.some(UNHEARD):
        grant = _grant(now, pack.name, side)
        if grant == 0:
            requirement = "REQ-SIL-04" if pack.heard else "REQ-SIL-01"
            yield requirement, NOTHING, f"{pack.name} is silent, and nothing is granted for it"
    unknown = [pack.name for pack in now.heard() if pack.number("current_ma") is None]
    silent = now.some(UNHEARD)
    if unknown and (len(unknown) > 1 or silent or not _bus_is_fresh(now)):
        yield "REQ-LIM-10", NOTHING, f"{unknown[0]} does not say its current"
    if not now.carrying()[side] and not silent:
        yield "REQ-LIM-19", NOTHING, "no pack that is heard has a path"
    if now.settings.local_refusal_stops_bank:
        for name in now.settings.own_packs:
            pack = now.pack(name)
            if pack.presence != REMOVED and pack.said.get(side + "_allowed") is False:
                yield "REQ-LIM-26", NOTHING, f"{name}, wired to this board, refuses"


def _caps(now: Reader, side: str) -> Iterator[Cap]:
    """Caps that come out of arithmetic."""
    settings = now.settings
    assert settings is not None
    zero_ma, margin = settings.zero_current_ma, settings.margin_permille
    withheld = {wish.pack for wish in now.wishes if wish.kind == "withhold_pack"}
    counted = [
        pack
        for pack in now.heard()
        if not path_open(pack, side, zero_ma)
        and pack.said.get(side + "_allowed") is not False
        and pack.name not in withheld
    ]
    total = sum((usable_ma(pack, side, margin) for pack in counted), NOTHING)
    names = ", ".join(pack.name for pack in counted) or "none"
    yield "REQ-LIM-01", total, f"the sum over the packs that count ({names})"
    for pack in now.some(UNHEARD):
        why = f"{pack.name} is silent; so much is granted for it"
        yield "REQ-SIL-04", _grant(now, pack.name, side), why
    ceiling = getattr(settings, side + "_current_ceiling_ma")
    if ceiling is not None:
        yield "REQ-LIM-11", ceiling, "the installer's ceiling"
    for value in now.wished(f"cap_{side}_current"):
        yield "REQ-WSH-01", value, "the owner asked for no more"
    if _window_used_up(now, side):
        yield "REQ-WSH-07", NOTHING, "the owner's state-of-charge window is used up"


def _no_rise(now: Reader, side: str) -> Iterator[Cap]:
    """Caps in time: what may not rise now, and how fast the rest may."""
    settings, times = now.settings, now.sides[side]
    assert settings is not None
    last = now.before.get(side + "_current_limit_ma", 0)
    before = last if isinstance(last, int) else 0
    late = now.late()
    if late:
        yield "REQ-SIL-02", before, f"{late[0].name}'s reading is late: nothing rises"
    dwell_ms = settings.reenable_ms
    if times.denied_at is not None and now.now_ms - times.denied_at < dwell_ms:
        yield "REQ-STG-05", NOTHING, "a denial cleared a short while ago; permission waits"
    changed = times.path_changed_at
    if changed is not None and now.now_ms - changed < settings.path_settle_ms:
        yield "REQ-LIM-18", before, "a path opened or closed a short while ago: nothing rises"
    if times.over_at is not None and now.now_ms - times.over_at < settings.settle_ms:
        yield "REQ-LIM-17", before, "a pack was above its limit a short while ago: nothing rises"
    rate = sum(most_ma(pack, side) for pack in now.packs if pack.presence != REMOVED)
    span_ms = min(now.dt_ms, settings.nominal_step_ms)
    rise = ratio(rate * settings.ramp_permille_per_s * span_ms, 1_000_000)
    yield "REQ-LIM-16", before + rise + 1, "a limit rises slowly"


def _grant(now: Reader, name: str, side: str) -> int:
    """Return what the bank may do while this pack is silent [mA]."""
    assert now.settings is not None
    pack = now.pack(name)
    if not pack.heard or refuses(pack, side, now.settings.zero_current_ma):
        return 0
    usable = usable_ma(pack, side, now.settings.margin_permille)
    return int(min(usable, getattr(pack.settings, f"unheard_{side}_current_ma")))


def _bus_is_fresh(now: Reader) -> bool:
    assert now.settings is not None
    if now.bus is None or now.bus[1] is None:
        return False
    return now.now_ms - now.bus[2] <= now.settings.fresh_ms


def _window_used_up(now: Reader, side: str) -> bool:
    """Is the owner's state-of-charge window used up, by the last word of every pack there is?"""
    weight = charged = 0
    for pack in now.packs:
        soc, capacity = pack.number("soc_permille"), pack.number("capacity_mah")
        if pack.presence != REMOVED and soc is not None and capacity:
            weight += capacity // 100
            charged += soc * (capacity // 100)
    if not weight:
        return False
    soc_permille = charged // weight
    if side == "charge":
        due = bool(now.wished("full_charge_every_days"))  # then the top may wait
        tops = now.wished("top_soc_permille")
        return bool(tops) and not due and soc_permille >= min(tops)
    reserves = [value for value in now.wished("reserve_soc_permille") if value > 0]
    return bool(reserves) and soc_permille <= max(reserves)
