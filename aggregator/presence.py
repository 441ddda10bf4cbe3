"""Is a pack there? Live, late, unheard or removed: unheard is not gone.

A pack turns late, then unheard, by silence; it turns removed only by the owner's word. Staleness
latches: a late pack stays late until a new reading arrives, however the clock wraps meanwhile.

    live --no new reading for fresh_ms--> late --for unheard_ms--> unheard
    late --a fresh reading--> live        unheard --recovery_samples fresh readings--> live
    unheard --declare_removed--> removed --a report--> live; --declare_returned--> unheard

Readings that stand still for `frozen_ms` while other packs' current moves are silence, too.
"""

from .pack import LATE, LIVE, REMOVED, UNHEARD, Pack
from .settings import BankSettings
from .ticks import TICK_MASK, since

# What the view says about a pack that is not live.
NEVER_HEARD = "never heard"
SILENT = "silent"
FROZEN = "readings frozen"
FROZEN_LATE = "readings frozen, then late"  # and so, like a late pack's, they let nothing rise
DECLARED = "declared removed"

# Steps in which another pack's current moved, before standing still counts as frozen: a single
# switched load is not evidence (common practice, no source).
STIRS_TO_SUSPECT = 10


def heard(pack: Pack, taken_ms: int, now_ms: int, moved: bool, bank: BankSettings) -> None:
    """Take note of a new reading that was taken at `taken_ms`; `note_move` follows if it moved."""
    gap_ms = since(taken_ms, pack.taken_ms)
    pack.taken_ms = taken_ms
    age_ms = since(now_ms, taken_ms)
    if pack.silence == FROZEN_LATE and age_ms <= bank.fresh_ms:
        pack.silence = FROZEN
    if age_ms > bank.fresh_ms:
        pack.recovered = 0
        if pack.presence == REMOVED and age_ms <= bank.unheard_ms:
            _become(pack, UNHEARD, SILENT)  # too old to count, and yet it is there
    elif pack.presence == REMOVED or pack.presence == LATE:
        _become(pack, LIVE, None)
    elif pack.presence == UNHEARD and (moved or not is_frozen(pack)):
        # No silence between those that count; of one found frozen, those that moved count.
        still_ms = since(now_ms, pack.moved_ms) if is_frozen(pack) else gap_ms
        if not -bank.unheard_ms <= still_ms <= bank.unheard_ms:
            pack.recovered = 0
        pack.recovered += 1
        if pack.recovered >= bank.recovery_samples:
            _become(pack, LIVE, None)


def watch(pack: Pack, now_ms: int, stirs: int, exempt: bool, bank: BankSettings) -> int:
    """Let silence age a pack; return how long [ms] until it must be looked at again.

    `stirs` counts the steps in which any pack's current moved; `exempt`: its path is open, so its
    readings may rightly stand still.
    """
    age_ms = since(now_ms, pack.taken_ms)
    if pack.presence == REMOVED or pack.presence == UNHEARD:
        if pack.recovered or is_frozen(pack):
            if 0 <= age_ms <= bank.unheard_ms:
                return _watch_unheard(pack, age_ms, bank)
            _become(pack, pack.presence, SILENT)  # it has stopped saying even that
        return bank.fresh_ms
    if -bank.fresh_ms <= age_ms < 0:  # no fresher than one taken now
        pack.taken_ms = now_ms
        age_ms = 0
    # A reading from further ahead may be one from long ago, seen through the wrap.
    if age_ms > bank.unheard_ms or age_ms < 0:
        _become(pack, UNHEARD, SILENT)
    elif (
        not exempt
        and stirs - pack.moved_stirs >= STIRS_TO_SUSPECT
        and since(now_ms, pack.moved_ms) > bank.frozen_ms
    ):
        _become(pack, UNHEARD, FROZEN)
        return _watch_unheard(pack, age_ms, bank)
    elif age_ms > bank.fresh_ms:
        if pack.presence == LIVE:
            _become(pack, LATE, SILENT)
        return bank.unheard_ms - age_ms + 1
    else:
        return bank.fresh_ms - age_ms + 1
    return bank.fresh_ms


def _watch_unheard(pack: Pack, age_ms: int, bank: BankSettings) -> int:
    """Let silence age a pack that says something that does not count; return as `watch` does."""
    if age_ms <= bank.fresh_ms:
        return bank.fresh_ms - age_ms + 1
    if pack.silence == FROZEN:
        pack.silence = FROZEN_LATE
    return min(bank.fresh_ms, bank.unheard_ms - age_ms + 1)


def is_frozen(pack: Pack) -> bool:
    """Does it report readings that stand still, and so do not count?"""
    return pack.silence == FROZEN or pack.silence == FROZEN_LATE


def doubt(pack: Pack) -> None:
    """The clock fell back: nobody knows how old the reading is, so the pack must speak again."""
    if pack.presence != REMOVED:
        _become(pack, UNHEARD, SILENT)


def reports(pack: Pack) -> bool:
    """Does the pack report, even if what it says does not count?"""
    if pack.presence == UNHEARD:
        return pack.recovered > 0 or is_frozen(pack)
    return pack.presence != REMOVED


def declare(pack: Pack, removed: bool) -> None:
    """The owner says that a pack was disconnected, or is back."""
    _become(pack, REMOVED if removed else UNHEARD, DECLARED if removed else SILENT)


def note_move(pack: Pack, now_ms: int, stirs: int) -> None:
    """Its readings moved: it is not frozen. The stir of this very step does not count."""
    pack.moved_ms = now_ms & TICK_MASK
    pack.moved_stirs = stirs + 1


def _become(pack: Pack, presence: str, silence: str | None) -> None:
    pack.presence = presence
    pack.silence = silence
    pack.recovered = 0
