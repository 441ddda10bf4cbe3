"""What survives a restart, as a flat dict of integers and texts, and back.

Kept: shares, the stage with its timers, wishes with the time they have left, declarations, the
owner's adjustments. Not kept: limits (they start from 0) and readings (they must be fresh). Keys
are `stage`, a timer's name, `share.PACK.FIELD`, `wish.N.FIELD`, `removed.PACK`, `adjusted.FIELD`.
"""

from .bank import Bank
from .cycle import FULL_MINUTES, FULL_MS, PAUSED, STAGES, TIMERS
from .errors import Refusal
from .presence import declare
from .report import LONGEST_MS, bad_id
from .requests import FOREVER, KINDS, MOST_REQUESTS, WISH, Request, Wish, Wishes, check_request
from .shares import Shares

VERSION = 1
_MOST = 1 << 40  # far above any sum


def snapshot_of(bank: Bank) -> dict[str, int | str]:
    """Return the state to keep."""
    stages = bank.stages
    state: dict[str, int | str] = {"version": VERSION}
    state["stage"] = stages.resume if stages.stage == PAUSED else stages.stage
    for name in TIMERS:
        state[name] = getattr(stages, name)
    for field, value in stages.adjusted:
        state["adjusted." + field] = value
    blocks, squares, products, own_squares, connected = bank.shares.worth_keeping(bank.connected)
    state["share_blocks"] = blocks
    state["share_squares"] = squares
    for pack in bank.packs:
        name = pack.settings.pack
        state["share." + name + ".products"] = products[pack.index]
        state["share." + name + ".squares"] = own_squares[pack.index]
        state["share." + name + ".connected"] = connected[pack.index]
        if pack.presence == "removed":
            state["removed." + name] = 1
    for number in range(len(bank.wishes.kept)):
        wish = bank.wishes.kept[number]
        start = "wish." + str(number) + "."
        state[start + "kind"] = wish.kind
        state[start + "pack"] = wish.pack
        state[start + "value"] = wish.value
        state[start + "left_ms"] = wish.left_ms
        state[start + "source"] = wish.source
    return state


def restored(bank: Bank, state: object) -> Refusal | None:
    """Take up a state; all of it, or nothing. Returns why not."""
    if not isinstance(state, dict):
        return Refusal("state", "a dict from snapshot()", state)
    if state.get("version") != VERSION:
        return Refusal("version", str(VERSION), state.get("version"))
    if state.get("stage") not in STAGES[:3]:
        return Refusal("stage", "bulk, absorption or float", state.get("stage"))
    for name in TIMERS:
        most = FULL_MINUTES if name == "since_full_minutes" else FULL_MS
        refusal = _bad_number(state, name, 0, most)
        if refusal is not None:
            return refusal
    refusal = _bad_shares(bank, state)
    wishes = Wishes()
    if refusal is None:
        refusal = _read_wishes(bank, state, wishes)
    for wish in bank.wishes.kept:
        refusal = refusal or wishes.keep(wish)  # wished since the snapshot: newer
    if refusal is not None:
        return refusal
    _take_stages(bank, state)
    _take_shares(bank, state)
    bank.wishes = wishes
    bank.apply_wishes()
    for pack in bank.packs:
        if state.get("removed." + pack.settings.pack) == 1 and pack.sample is None:
            declare(pack, True)
            bank.enter(pack)
    return None


def _bad_number(state: dict[str, object], key: str, low: int, high: int) -> Refusal | None:
    value = state.get(key)
    if type(value) is not int or not low <= value <= high:
        return Refusal(key, str(low) + ".." + str(high), value)
    return None


def _bad_shares(bank: Bank, state: dict[str, object]) -> Refusal | None:
    """Shares of other packs than these are not worth a refusal: they are simply not taken up."""
    for key, low, high in (("share_blocks", 0, _MOST), ("share_squares", 0, _MOST)):
        refusal = _bad_number(state, key, low, high)
        if refusal is not None:
            return refusal
    for name in bank.names:
        start = "share." + name
        if state.get(start + ".products") is None:
            continue
        for field, low, high in (
            ("products", -_MOST, _MOST),
            ("squares", 0, _MOST),
            ("connected", 0, 1),
        ):
            refusal = _bad_number(state, start + "." + field, low, high)
            if refusal is not None:
                return refusal
    return None


def _read_wishes(bank: Bank, state: dict[str, object], wishes: Wishes) -> Refusal | None:
    valued = [row[0] for row in KINDS if row[3] is not None]
    known = [row[0] for row in KINDS if row[1] == WISH]
    for number in range(MOST_REQUESTS):
        start = "wish." + str(number) + "."
        kind = state.get(start + "kind")
        if kind is None:
            continue
        pack = state.get(start + "pack")
        value = state.get(start + "value")
        left_ms = state.get(start + "left_ms")
        source = state.get(start + "source")
        if not isinstance(kind, str) or kind not in known:
            return Refusal(start + "kind", "a kind of wish", kind)
        if kind == "withhold_pack" and bad_id(pack) is None and pack not in bank.names:
            continue  # of a pack that has left the settings: the other wishes must not go with it
        if type(left_ms) is not int or not (left_ms == FOREVER or 1 <= left_ms <= LONGEST_MS):
            return Refusal(start + "left_ms", "-1 or 1.." + str(LONGEST_MS), left_ms)
        lasts_ms = None if left_ms == FOREVER else left_ms
        request = Request(kind, pack or None, lasts_ms=lasts_ms, source=source)  # type: ignore[arg-type]  # checked next
        request.value = value if kind in valued else None  # type: ignore[assignment]
        refusal = check_request(request, bank.names)
        if refusal is not None:
            return Refusal(
                start + refusal.field, refusal.expected, state.get(start + refusal.field)
            )
        wishes.keep(Wish(kind, request.pack or "", request.value or 0, left_ms, request.source))
    return None


def _take_stages(bank: Bank, state: dict[str, object]) -> None:
    """The stage goes on where it was, through `paused`: charging is denied until packs are heard."""
    stages = bank.stages
    for name in TIMERS:
        setattr(stages, name, state[name])
    for stage in STAGES:
        if stage == state["stage"]:
            stages.resume = stage  # the core's own constant, not the text from outside
    stages.stage = PAUSED
    stages.why = "restored"
    for field, low, high in stages.settings.adjustable:
        value = state.get("adjusted." + field)
        newer = field in [row[0] for row in stages.adjusted]
        if type(value) is int and low <= value <= high and not newer:
            stages.adjust(field, value)


def _take_shares(bank: Bank, state: dict[str, object]) -> None:
    shares: Shares = bank.shares
    products = []
    squares = []
    connected = []
    for name in bank.names:
        start = "share." + name
        if state.get(start + ".products") is None:
            return
        products.append(state[start + ".products"])
        squares.append(state[start + ".squares"])
        connected.append(state[start + ".connected"])
    shares.take_up(
        state["share_blocks"],  # type: ignore[arg-type]  # integers, checked
        state["share_squares"],  # type: ignore[arg-type]
        products,  # type: ignore[arg-type]
        squares,  # type: ignore[arg-type]
        bytearray(connected),  # type: ignore[arg-type]
    )
