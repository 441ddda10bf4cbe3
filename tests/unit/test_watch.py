"""Presence by the millisecond: when a pack must be looked at again, and what is found then.

Through the front door a step is a second; here the functions are asked directly.
"""

import pytest

from aggregator import BankSettings, PackSettings
from aggregator.pack import LATE, LIVE, REMOVED, UNHEARD, Pack
from aggregator.presence import (
    FROZEN,
    FROZEN_LATE,
    SILENT,
    STIRS_TO_SUSPECT,
    doubt,
    heard,
    note_move,
    reports,
    watch,
)
from aggregator.ticks import TICK_MASK

NOW_MS = 1_000_000
FRESH_MS, UNHEARD_MS, FROZEN_MS = 10_000, 30_000, 300_000
BANK = BankSettings(
    [PackSettings("oak")], fresh_ms=FRESH_MS, unheard_ms=UNHEARD_MS, frozen_ms=FROZEN_MS
)


def pack(presence: str, age_ms: int, silence: str | None = None, recovered: int = 0) -> Pack:
    """A pack whose last reading was taken so long ago, and has moved just now."""
    made = Pack(0, PackSettings("oak"))
    made.presence, made.silence, made.recovered = presence, silence, recovered
    made.taken_ms = NOW_MS - age_ms
    made.moved_ms = NOW_MS
    return made


@pytest.mark.parametrize(
    ("before", "age_ms", "after", "left_ms"),
    [
        (LIVE, 0, (LIVE, None), FRESH_MS + 1),
        (LIVE, FRESH_MS, (LIVE, None), 1),
        (LIVE, FRESH_MS + 1, (LATE, SILENT), UNHEARD_MS - FRESH_MS),
        (LIVE, UNHEARD_MS, (LATE, SILENT), 1),
        (LIVE, UNHEARD_MS + 1, (UNHEARD, SILENT), FRESH_MS),
        (LIVE, -1, (LIVE, None), FRESH_MS + 1),
        (LIVE, -FRESH_MS, (LIVE, None), FRESH_MS + 1),
        (LIVE, -FRESH_MS - 1, (UNHEARD, SILENT), FRESH_MS),
    ],
)
def test_silence_is_looked_for_in_the_very_millisecond(
    before: str, age_ms: int, after: tuple[str, str | None], left_ms: int
) -> None:
    """Nothing changes sooner than it is told, and then it does."""
    one = pack(before, age_ms)
    assert watch(one, NOW_MS, 0, False, BANK) == left_ms
    assert (one.presence, one.silence) == after
    if after[0] != UNHEARD:
        watch(one, NOW_MS + left_ms - 1, 0, False, BANK)
        assert (one.presence, one.silence) == after
        watch(one, NOW_MS + left_ms, 0, False, BANK)
        assert one.presence != after[0]


def test_a_late_pack_stays_late_for_what_made_it_so() -> None:
    """Its silence does not begin anew with every look."""
    one = pack(LATE, FRESH_MS + 5, "its first silence", recovered=0)
    assert watch(one, NOW_MS, 0, False, BANK) == UNHEARD_MS - FRESH_MS - 4
    assert (one.presence, one.silence) == (LATE, "its first silence")


@pytest.mark.parametrize(
    ("age_ms", "left_ms", "frozen"),
    [
        (0, FRESH_MS + 1, FROZEN),
        (FRESH_MS, 1, FROZEN),
        (FRESH_MS + 1, FRESH_MS, FROZEN_LATE),
        (UNHEARD_MS - FRESH_MS + 2, FRESH_MS - 1, FROZEN_LATE),
        (UNHEARD_MS, 1, FROZEN_LATE),
    ],
)
def test_a_pack_that_recovers_or_is_frozen_still_reports(
    age_ms: int, left_ms: int, frozen: str
) -> None:
    """For unheard_ms after its last word, and no millisecond longer; a frozen one is late, too."""
    for before, recovered, after in ((SILENT, 1, SILENT), (FROZEN, 0, frozen), (FROZEN, 1, frozen)):
        one = pack(UNHEARD, age_ms, before, recovered)
        assert watch(one, NOW_MS, 0, False, BANK) == left_ms
        assert (one.presence, one.silence, one.recovered) == (UNHEARD, after, recovered)
        assert reports(one)


@pytest.mark.parametrize("age_ms", [UNHEARD_MS + 1, -1])
@pytest.mark.parametrize(("silence", "recovered"), [(SILENT, 1), (FROZEN, 0), (FROZEN_LATE, 0)])
def test_a_pack_that_has_stopped_to_recover_is_silent(
    age_ms: int, silence: str, recovered: int
) -> None:
    """Longer ago than unheard_ms, or seen through the wrap: it does not report any more."""
    one = pack(UNHEARD, age_ms, silence, recovered)
    assert watch(one, NOW_MS, 0, False, BANK) == FRESH_MS
    assert (one.presence, one.silence, one.recovered) == (UNHEARD, SILENT, 0)
    assert not reports(one)


@pytest.mark.parametrize("presence", [UNHEARD, REMOVED])
@pytest.mark.parametrize("age_ms", [0, FRESH_MS, UNHEARD_MS + 1])
def test_nothing_more_becomes_of_a_silent_pack_by_itself(presence: str, age_ms: int) -> None:
    """Unheard or removed it stays, whatever its last reading's age."""
    one = pack(presence, age_ms, "as it is")
    one.moved_ms -= FROZEN_MS + 1
    assert watch(one, NOW_MS, STIRS_TO_SUSPECT, False, BANK) == FRESH_MS
    assert (one.presence, one.silence) == (presence, "as it is")


@pytest.mark.parametrize(
    ("stirs", "still_ms", "exempt", "after"),
    [
        (STIRS_TO_SUSPECT, FROZEN_MS + 1, False, (UNHEARD, FROZEN)),
        (STIRS_TO_SUSPECT - 1, FROZEN_MS + 1, False, (LIVE, None)),
        (STIRS_TO_SUSPECT, FROZEN_MS, False, (LIVE, None)),
        (STIRS_TO_SUSPECT, FROZEN_MS + 1, True, (LIVE, None)),
    ],
)
def test_frozen_needs_stirs_and_time_and_a_closed_path(
    stirs: int, still_ms: int, exempt: bool, after: tuple[str, str | None]
) -> None:
    """Ten stirs of the others since its readings last moved, and more than frozen_ms."""
    one = pack(LIVE, 0)
    one.moved_ms = NOW_MS - still_ms
    one.moved_stirs = 7
    left_ms = watch(one, NOW_MS, 7 + stirs, exempt, BANK)
    assert left_ms == FRESH_MS + 1
    assert (one.presence, one.silence) == after


def test_a_late_pack_can_be_frozen_too() -> None:
    """It has said nothing new for longer than either, and it goes on to let nothing rise."""
    one = pack(LATE, FRESH_MS + 1, SILENT)
    one.moved_ms = NOW_MS - FROZEN_MS - 1
    assert watch(one, NOW_MS, STIRS_TO_SUSPECT, False, BANK) == FRESH_MS
    assert (one.presence, one.silence) == (UNHEARD, FROZEN_LATE)


def test_the_stir_of_the_step_in_which_a_pack_moves_does_not_count() -> None:
    """Its own move stirs, too; ten others are needed after it. Ticks wrap."""
    one = pack(LIVE, 0)
    note_move(one, TICK_MASK + 1 + 5, 20)
    assert (one.moved_ms, one.moved_stirs) == (5, 21)


@pytest.mark.parametrize(("gap_ms", "recovered"), [(1, 2), (UNHEARD_MS, 2), (UNHEARD_MS + 1, 1)])
def test_readings_follow_each_other_within_unheard_ms(gap_ms: int, recovered: int) -> None:
    """A gap of just that long is no break, one more millisecond is."""
    one = pack(UNHEARD, gap_ms, SILENT, recovered=1)
    heard(one, NOW_MS, NOW_MS, False, BANK)
    assert (one.presence, one.recovered, one.taken_ms) == (UNHEARD, recovered, NOW_MS)


@pytest.mark.parametrize(("age_ms", "recovered"), [(FRESH_MS, 2), (FRESH_MS + 1, 0)])
def test_a_reading_too_old_starts_the_recovery_over(age_ms: int, recovered: int) -> None:
    """As old as fresh_ms is fresh."""
    one = pack(UNHEARD, FRESH_MS + 2, SILENT, recovered=1)
    heard(one, NOW_MS - age_ms, NOW_MS, False, BANK)
    assert (one.presence, one.recovered) == (UNHEARD, recovered)


def test_a_frozen_pack_recovers_by_moving_only() -> None:
    """A reading that stands still does not count, one that moves does; late it is no more."""
    one = pack(UNHEARD, 1_000, FROZEN_LATE)
    heard(one, NOW_MS - FRESH_MS - 1, NOW_MS, False, BANK)
    assert (one.recovered, one.silence) == (0, FROZEN_LATE)
    heard(one, NOW_MS - FRESH_MS, NOW_MS, False, BANK)
    assert (one.recovered, one.silence) == (0, FROZEN)
    heard(one, NOW_MS, NOW_MS, True, BANK)
    assert one.recovered == 1


@pytest.mark.parametrize("presence", [LATE, REMOVED])
def test_who_is_live_again_has_nothing_to_explain(presence: str) -> None:
    """The reason of the silence goes with it."""
    one = pack(presence, FRESH_MS + 1, "whatever it was")
    heard(one, NOW_MS, NOW_MS, False, BANK)
    assert (one.presence, one.silence, one.recovered) == (LIVE, None, 0)


def test_a_removed_pack_that_reports_late_is_silent() -> None:
    """It is there, and has said nothing that counts."""
    one = pack(REMOVED, 0, "declared removed")
    heard(one, NOW_MS - FRESH_MS - 1, NOW_MS, True, BANK)
    assert (one.presence, one.silence, one.recovered) == (UNHEARD, SILENT, 0)


@pytest.mark.parametrize(
    ("presence", "silence", "recovered", "speaks"),
    [
        (LIVE, None, 0, True),
        (LATE, SILENT, 0, True),
        (UNHEARD, SILENT, 0, False),
        (UNHEARD, SILENT, 1, True),
        (UNHEARD, FROZEN, 0, True),
        (UNHEARD, FROZEN_LATE, 0, True),
        (REMOVED, "declared removed", 0, False),
    ],
)
def test_who_reports_and_what_a_clock_that_fell_back_makes_of_it(
    presence: str, silence: str | None, recovered: int, speaks: bool
) -> None:
    """Whoever was not removed must then speak again, from the first of its readings."""
    one = pack(presence, 0, silence, recovered)
    assert reports(one) is speaks
    doubt(one)
    if presence == REMOVED:
        assert (one.presence, one.silence) == (REMOVED, silence)
    else:
        assert (one.presence, one.silence, one.recovered) == (UNHEARD, SILENT, 0)
