"""Whatever the clock does, an old reading never looks fresh."""

import pytest

from aggregator.ticks import TICK_MASK
from tests.bank import Site


def presence(site: Site, pack: str) -> tuple[str, str | None]:
    """How the view shows a pack's presence, and why."""
    row = site.row(pack)
    return row.presence, row.why_ignored


def test_staleness_latches_across_the_wrap_of_the_clock() -> None:
    """A pack silent for one whole turn of the counter (298 h) does not look fresh again."""
    site = Site("oak", "fir")
    site.runs(10)
    site.falls_silent("oak")
    for _ in range(3):
        site.runs(TICK_MASK // 3 // 1_000, every_s=TICK_MASK // 3 // 1_000)
    site.runs(5)
    assert presence(site, "oak") == ("unheard", "silent")
    assert presence(site, "fir") == ("live", None)


@pytest.mark.parametrize("start_ms", [TICK_MASK - 20_000, -20_000, 7 * TICK_MASK])
def test_the_wrap_of_the_tick_is_invisible(start_ms: int) -> None:
    """Silence is noticed at the same moment wherever the clock happens to stand."""
    site = Site("oak", start_ms=start_ms)
    site.runs(15)
    site.falls_silent("oak")
    site.runs(10)
    assert presence(site, "oak")[0] == "live"
    site.runs(1)
    assert presence(site, "oak")[0] == "late"


def test_time_going_backwards_makes_nobody_fresher() -> None:
    """A clock that falls back a little stands still: silence goes on from where it was."""
    site = Site("oak")
    site.runs(10)
    site.falls_silent("oak")
    site.runs(8)
    site.now_ms -= 7_000
    site.runs(3)
    assert presence(site, "oak")[0] == "live"
    site.runs(1)
    assert presence(site, "oak")[0] == "late"


def test_a_clock_that_falls_far_back_leaves_every_age_in_doubt() -> None:
    """Nobody knows how old a reading is then, so every pack must speak three times again."""
    site = Site("oak")
    site.runs(100)
    site.now_ms = 0
    site.runs(1)
    assert presence(site, "oak") == ("unheard", "silent")
    site.runs(3)
    assert presence(site, "oak") == ("live", None)


def test_a_clock_that_falls_back_by_fresh_ms_leaves_no_doubt() -> None:
    """Exactly ten seconds are no more than a reading may be old."""
    site = Site("oak")
    site.runs(100)
    site.now_ms -= 11_000
    site.runs(1)
    assert presence(site, "oak") == ("live", None)


def test_a_clock_that_falls_back_brings_no_removed_pack_back() -> None:
    """Who was removed was not counted before, and is not doubted now."""
    site = Site("oak", "fir")
    site.falls_silent("fir")
    site.runs(100)
    site.asks("declare_removed", pack="fir")
    site.now_ms = 0
    site.runs(5)
    assert presence(site, "fir")[0] == "removed"


def test_a_reading_from_just_ahead_is_no_fresher_than_one_taken_now() -> None:
    """A report stamped 8 s ahead is late after fresh_ms, not 8 s later."""
    site = Site("oak")
    site.runs(10)
    site.now_ms += 8_000
    site.reports("oak")
    site.now_ms -= 8_000
    site.falls_silent("oak")
    site.runs(1)
    site.runs(10)
    assert presence(site, "oak")[0] == "live"
    site.runs(1)
    assert presence(site, "oak")[0] == "late"


def test_a_reading_from_far_ahead_is_not_believed() -> None:
    """A report stamped an hour ahead may be one from long ago, seen through the wrap."""
    site = Site("oak")
    site.runs(10)
    site.now_ms += 3_600_000
    site.reports("oak")
    site.now_ms -= 3_600_000
    site.falls_silent("oak")
    site.runs(1)
    assert presence(site, "oak") == ("unheard", "silent")


@pytest.mark.parametrize("gap_s", [31, 432_000, 540_000, 1_073_741])
def test_no_gap_between_two_steps_makes_an_old_reading_fresh(gap_s: int) -> None:
    """However long nobody stepped, up to a whole turn of the counter: the pack is unheard."""
    site = Site("oak")
    site.runs(10)
    site.falls_silent("oak")
    site.runs(gap_s, every_s=gap_s)
    site.runs(35)
    assert presence(site, "oak") == ("unheard", "silent")


def test_recovery_does_not_go_on_after_a_whole_turn_of_the_clock() -> None:
    """One reading, 298 h of silence and two more are not three in a row."""
    site = Site("oak")
    site.runs(1)
    site.falls_silent("oak")
    for _ in range(4):
        site.runs((TICK_MASK + 1) // 4_000, every_s=(TICK_MASK + 1) // 4_000)
    site.speaks("oak")
    site.runs(2)
    assert presence(site, "oak")[0] == "unheard"
    site.runs(1)
    assert presence(site, "oak")[0] == "live"


def test_delayed_readings_are_not_a_recovery() -> None:
    """A silent pack's counter may start over once; the same two readings in turn are not news."""
    site = Site("oak")
    site.runs(5)
    site.falls_silent("oak")
    site.runs(40)
    for sample in (70, 71, 70, 71, 70):
        site.reports("oak", sample=sample)
        site.runs(1)
    assert presence(site, "oak")[0] == "unheard"


def test_silence_is_noticed_to_the_millisecond() -> None:
    """In the first step that is a millisecond beyond fresh_ms, and beyond unheard_ms."""
    site = Site("oak")
    site.runs(10)
    for silent_ms, shown in (
        (9_999, "live"),
        (10_000, "live"),
        (10_001, "late"),
        (29_999, "late"),
        (30_000, "late"),
        (30_001, "unheard"),
    ):
        site.view = site.bank.step(site.now_ms + silent_ms)
        assert presence(site, "oak")[0] == shown


@pytest.mark.parametrize(
    ("age_ms", "shown"), [(10_000, "live"), (10_001, "late"), (30_001, "unheard")]
)
def test_an_old_reading_is_old_at_once(age_ms: int, shown: str) -> None:
    """In the next step, even if no time has passed since the last."""
    site = Site("oak")
    site.runs(10)
    site.reports("oak", age_ms=age_ms)
    site.bank.step(site.now_ms)
    assert presence(site, "oak")[0] == shown


@pytest.mark.parametrize(
    ("ahead_ms", "late_s"), [(1_000, 12), (2_000, 13), (2_001, 12), (9_000, 12)]
)
def test_a_reading_is_believed_two_steps_ahead(ahead_ms: int, late_s: int) -> None:
    """A step may come that much later than its reports; a reading stamped further ahead is taken for
    one of the next step."""
    site = Site("oak")
    site.runs(13)
    site.now_ms += ahead_ms
    site.reports("oak")
    site.now_ms -= ahead_ms
    site.falls_silent("oak")
    shown = []
    for _ in range(14):
        site.runs(1)
        shown.append(presence(site, "oak")[0])
    assert shown.index("late") + 1 == late_s


def test_a_doubt_is_cast_once() -> None:
    """A clock that fell back and then says no time at all: readings that came since count."""
    site = Site("oak")
    site.runs(100)
    site.now_ms = 0
    site.bank.step(0)
    assert presence(site, "oak")[0] == "unheard"
    for _ in range(3):
        site.reports("oak")
    site.bank.step("noon")  # type: ignore[arg-type]
    assert presence(site, "oak")[0] == "live"


def test_the_same_sample_is_no_beginning_of_a_recovery() -> None:
    """A silent pack may start its count over; one number again and again is one reading."""
    site = Site("oak")
    site.runs(10)
    site.falls_silent("oak")
    site.runs(31)
    site.reports("oak", sample=10)
    assert site.asks("declare_removed", pack="oak") is None
