"""When is the bank full? Every pack by its own tail, and only where nobody else limits."""

import pytest

from aggregator import PackSettings, StageSettings
from tests.bank import Site, in_absorption, reason

TAIL_MA = 10_000  # 50 permille an hour of the 200 Ah that each pack has


def until_full(**words: object) -> Site:
    """Absorption until the packs are full, each saying `words`, for 10 min at the target."""
    site = in_absorption(absorption_mode="until_full", absorption_min_ms=30_000)
    site.says(**words)
    site.runs(300)
    return site


@pytest.mark.parametrize(
    ("current_ma", "stage"), [(TAIL_MA, "float"), (TAIL_MA + 1, "absorption"), (-TAIL_MA, "float")]
)
def test_a_tail_is_small_up_to_its_rate(current_ma: int, stage: str) -> None:
    """50 permille an hour of 200 Ah are 10 A, and not a milliampere more."""
    assert until_full(current_ma=current_ma).view.stage == stage


def test_every_pack_must_meet_its_own_tail() -> None:
    """2 A and 12 A are less than two tails together, but fir is not full yet."""
    site = in_absorption(absorption_mode="until_full", absorption_min_ms=30_000)
    site.says("oak", current_ma=2_000)
    site.says("fir", current_ma=12_000)
    site.runs(300)
    assert site.view.stage == "absorption"


def test_a_tail_counts_only_at_the_target() -> None:
    """A small current below the target is the sun's doing, not the battery's."""
    assert until_full(current_ma=5_000, voltage_mv=54_500).view.stage == "absorption"


def test_a_tail_counts_only_where_our_own_limit_does_not_bind() -> None:
    """With less than twice the tails allowed, the limit may be what keeps the current small."""
    site = in_absorption(absorption_mode="until_full", absorption_min_ms=30_000)
    site.asks("cap_charge_current", value=4 * TAIL_MA - 1)
    site.says(current_ma=5_000)
    site.runs(300)
    assert site.view.stage == "absorption"
    site.asks("cap_charge_current", value=4 * TAIL_MA)
    site.runs(30)
    assert site.view.stage == "float"


@pytest.mark.parametrize("words", [{"capacity_mah": None}, {"current_ma": None}])
def test_what_is_unknown_is_no_small_tail(words: dict[str, object]) -> None:
    """A pack that does not tell its current has shown no tail; a nameplate capacity will do."""
    stage = until_full(**{"current_ma": 5_000, **words}).view.stage
    assert stage == ("float" if words == {"capacity_mah": None} else "paused")


def test_a_late_pack_has_shown_no_tail() -> None:
    """The tails are not small while fir's last reading is old."""
    site = in_absorption(absorption_mode="until_full", absorption_min_ms=0)
    site.says(current_ma=5_000)
    site.falls_silent("fir")
    site.runs(5)
    site.says(current_ma=12_000)
    site.runs(8)
    site.says(current_ma=5_000)
    site.runs(15)
    assert site.row("fir").presence == "late"
    assert site.view.stage == "absorption"


def test_an_open_pack_need_not_show_a_tail() -> None:
    """A pack whose charge path is open does not hold the others up."""
    site = in_absorption(absorption_mode="until_full", absorption_min_ms=30_000)
    site.says("fir", charge_path_closed=False, current_ma=-20_000)
    site.says("oak", current_ma=5_000)
    site.runs(120)
    assert site.view.stage == "float"


def test_until_full_still_has_a_minimum() -> None:
    """Tails may be small from the start: the minimum of held time is served all the same."""
    site = in_absorption(absorption_mode="until_full", absorption_min_ms=60_000)
    site.runs(59)
    assert site.view.stage == "absorption"
    site.runs(1)
    assert (site.view.stage, reason(site)) == ("float", "tails_small")


def test_a_pack_too_small_to_have_a_tail_shows_none() -> None:
    """50 permille of 19 mAh are not a milliampere: such packs are never full by their tails."""
    assert until_full(capacity_mah=19, current_ma=0).view.stage == "absorption"
    assert until_full(capacity_mah=20, current_ma=1).view.stage == "float"


@pytest.mark.parametrize(("capacity_mah", "stage"), [(None, "absorption"), (200_000, "float")])
def test_where_nobody_knows_a_capacity_there_is_no_tail(
    capacity_mah: int | None, stage: str
) -> None:
    """Neither the settings nor fir's reports tell how small its current must get."""
    stages = StageSettings(absorption_mode="until_full", absorption_min_ms=0, dwell_ms=1_000)
    site = Site("oak", PackSettings("fir", capacity_mah=capacity_mah), stages=stages).is_ready()
    site.says(voltage_mv=55_200)
    site.runs(60)
    assert site.view.stage == stage


def test_twice_the_tails_in_whole_milliamperes_leave_the_limit_free() -> None:
    """50 permille of 19 999 mAh are 999 mA: a limit of four times that is free, a mA less is not."""
    for cap_ma, stage in ((3_995, "absorption"), (3_996, "float")):
        site = in_absorption(absorption_mode="until_full", absorption_min_ms=30_000)
        site.asks("cap_charge_current", value=cap_ma)
        site.says(capacity_mah=19_999, current_ma=999)
        site.runs(60)
        assert site.view.stage == stage
