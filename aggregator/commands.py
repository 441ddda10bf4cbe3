"""What a request does to the bank: wishes are kept, commands and declarations act at once."""

from .bank import Bank
from .errors import Refusal
from .pack import REMOVED, Pack
from .presence import declare, reports
from .report import LONGEST_MS
from .requests import FOREVER, Request, Wish, row_of
from .ticks import since

MINUTES_PER_DAY = 1_440
SOC_HYSTERESIS_PERMILLE = 20  # a state-of-charge wish lets go this far from its mark


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


def judge_soc_wishes(bank: Bank) -> None:
    """Judge the owner's state-of-charge window, by the last word of every pack there is.

    A silent pack counts with what it last said: its silence must not open the window. Nothing
    known: the window does not bind.
    """
    wishes = bank.wishes
    top = wishes.top_permille
    days = wishes.full_every_days
    if days is not None and bank.stages.since_full_minutes >= days * MINUTES_PER_DAY:
        top = None
    reserve = wishes.reserve_permille
    if top is None and reserve == 0:
        bank.charge.wish_soc = False
        bank.discharge.wish_soc = False
        return
    soc = _last_soc(bank.packs)
    if top is None or soc is None:
        bank.charge.wish_soc = False
    else:
        slack = SOC_HYSTERESIS_PERMILLE if bank.charge.wish_soc else 1
        bank.charge.wish_soc = soc > top - slack
    if reserve == 0 or soc is None:
        bank.discharge.wish_soc = False
    else:
        slack = SOC_HYSTERESIS_PERMILLE if bank.discharge.wish_soc else 1
        bank.discharge.wish_soc = soc < reserve + slack


def _last_soc(packs: list[Pack]) -> int | None:
    """The charge-weighted state of charge over the last word of every pack that is not removed."""
    weight = 0
    charged = 0
    for pack in packs:
        if pack.presence != REMOVED and pack.soc_permille is not None and pack.capacity_mah:
            weight += pack.capacity_mah // 100
            charged += pack.soc_permille * (pack.capacity_mah // 100)
    return charged // weight if weight else None


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
