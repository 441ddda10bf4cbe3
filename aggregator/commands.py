"""What a request does to the bank: wishes are kept, commands and declarations act at once."""

from .bank import Bank
from .errors import Refusal
from .pack import REMOVED
from .presence import declare, reports
from .report import LONGEST_MS
from .requests import FOREVER, Request, Wish, row_of
from .ticks import since


def keep(bank: Bank, request: Request, now_ms: int) -> Refusal | None:
    """Keep a wish, in place of an earlier one of the same kind, pack and source.

    Its time counts from `now_ms`; times run down from step to step, so the part before the next
    step is added.
    """
    left_ms = FOREVER
    if request.lasts_ms is not None:
        started = bank.clock.started
        ahead_ms = max(0, since(now_ms, bank.clock.now_ms)) if started else 0
        left_ms = min(request.lasts_ms + ahead_ms, LONGEST_MS)
    value = request.value or 0
    wish = Wish(request.kind, request.pack or "", value, left_ms, request.source)
    refusal = bank.wishes.keep(wish)
    if refusal is None:
        bank.apply_wishes()
    return refusal


def obey(bank: Bank, request: Request) -> Refusal | None:
    """Carry out a checked command or declaration."""
    for kind, act in ACTS:
        if kind == request.kind:
            return act(bank, request)
    return None


def start_bulk(bank: Bank, request: Request) -> Refusal | None:
    """Begin a new charge, unless the last start was too short a while ago."""
    if not bank.stages.may_start():
        return Refusal("kind", "restart_min_interval_ms since the last start", request.kind)
    bank.stages.asked = True
    return None


def adjust_stage(bank: Bank, request: Request) -> Refusal | None:
    """Change a stage setting within the installer's bounds; the newest wins."""
    bounds = bank.stages.bounds(request.field)
    value = request.value or 0
    if bounds is None or request.field is None:
        return Refusal("field", "a stage setting that the installer opened", request.field)
    if not bounds[0] <= value <= bounds[1]:
        expected = str(bounds[0]) + ".." + str(bounds[1]) + ", the installer's bounds"
        return Refusal("value", expected, value)
    bank.stages.adjust(request.field, value)
    return None


def clear(bank: Bank, request: Request) -> Refusal | None:
    """Drop one wish, named by its kind (in `field`), pack and source."""
    row = row_of(request.field)
    if row is None or not bank.wishes.drop(row[0], request.pack or "", request.source):
        return Refusal("field", "a wish in force, of this pack and source", request.field)
    bank.apply_wishes()
    return None


def restore_pack(bank: Bank, request: Request) -> Refusal | None:
    """Drop every wish to withhold this pack, whoever asked."""
    bank.wishes.drop("withhold_pack", request.pack or "", None)
    bank.apply_wishes()
    return None


def declare_removed(bank: Bank, request: Request) -> Refusal | None:
    """The owner disconnected a pack. A pack that reports is connected, whatever anybody says."""
    pack = bank.find(request.pack)
    if pack is None or reports(pack):
        return Refusal("pack", "a pack that does not report", request.pack)
    declare(pack, True)
    bank.enter(pack)
    return None


def declare_returned(bank: Bank, request: Request) -> Refusal | None:
    """The owner connected a removed pack again: it counts as unheard until it reports."""
    pack = bank.find(request.pack)
    if pack is not None and pack.presence == REMOVED:
        declare(pack, False)
        bank.enter(pack)
    return None


ACTS = (
    ("start_bulk", start_bulk),
    ("adjust_stage", adjust_stage),
    ("clear", clear),
    ("restore_pack", restore_pack),
    ("declare_removed", declare_removed),
    ("declare_returned", declare_returned),
)
