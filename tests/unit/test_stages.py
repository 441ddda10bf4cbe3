"""The daily charge in detail: what each timer counts, and what does not count."""

from tests.bank import day, in_absorption, in_float, reason

# Bulk.


def test_a_short_visit_to_the_target_is_not_held() -> None:
    """Nine seconds at the target, a moment below, and the dwell starts over."""
    site = day()
    for _ in range(3):
        site.says(voltage_mv=55_050)
        site.runs(9)
        site.says(voltage_mv=55_049)
        site.runs(1)
    assert site.view.stage == "bulk"


def test_the_target_is_what_packs_and_owner_allow() -> None:
    """Where fir takes 54.6 V at most, absorption begins 0.15 V below that."""
    site = day()
    site.says("fir", charge_voltage_limit_mv=54_600)
    site.says(voltage_mv=54_450)
    site.runs(10)
    assert site.view.stage == "absorption"
    site = day()
    site.asks("cap_charge_voltage", value=54_000)
    site.says(voltage_mv=53_850)
    site.runs(10)
    assert site.view.stage == "absorption"


def test_a_dwell_of_nothing_still_needs_something_to_dwell_on() -> None:
    """With dwell_ms = 0 the target, or a cell, must be there for a step; at rest neither is."""
    site = day(dwell_ms=0)
    assert site.view.stage == "bulk"
    site.says(voltage_mv=55_050)
    assert site.runs(1).stage == "absorption"


# Absorption.


def test_a_cloud_pauses_the_held_time() -> None:
    """Half a minute below the target is half a minute longer, and no new cycle."""
    site = in_absorption()
    site.runs(30)
    site.says(voltage_mv=54_000)
    site.runs(30)
    site.says(voltage_mv=55_200)
    site.runs(29)
    assert site.view.stage == "absorption"
    site.runs(1)
    assert site.view.stage == "float"


def test_clouds_add_up_only_without_a_break() -> None:
    """Several dips, each shorter than dip_ends_cycle_ms, do not end the cycle."""
    site = in_absorption(absorption_ms=600_000, dip_ends_cycle_ms=120_000)
    for _ in range(4):
        site.says(voltage_mv=53_000)
        site.runs(100)
        site.says(voltage_mv=55_200)
        site.runs(1)
    assert site.view.stage == "absorption"


def test_wall_time_runs_through_dips_and_pauses() -> None:
    """absorption_max_ms counts everything since absorption began."""
    site = in_absorption(
        absorption_ms=600_000,
        absorption_min_ms=0,
        absorption_max_ms=240_000,
        dip_ends_cycle_ms=600_000,
    )
    site.says(voltage_mv=54_000)
    site.runs(100)
    site.says("fir", charge_allowed=False)
    site.runs(60)
    site.says("fir", charge_allowed=True)
    site.runs(79)
    assert site.view.stage == "absorption"
    site.runs(1)
    assert (site.view.stage, reason(site)) == ("float", "absorption_longest")


def test_a_pause_keeps_the_held_time() -> None:
    """Forty seconds before a pause and twenty after it make the minute.

    The stage sees a denial one step after the limits, so the 40th second is that of the refusal.
    """
    site = in_absorption()
    site.runs(39)
    site.says("fir", charge_allowed=False)
    site.runs(21)
    site.says("fir", charge_allowed=True)
    site.runs(30)
    assert site.view.stage == "absorption"
    site.runs(19)
    assert site.view.stage == "absorption"
    site.runs(1)
    assert site.view.stage == "float"


def test_a_new_cycle_starts_its_times_anew() -> None:
    """After a dip ended the cycle, a whole minute must be held again."""
    site = in_absorption(dip_ends_cycle_ms=120_000)
    site.runs(50)
    site.says(voltage_mv=53_000)
    site.runs(121)
    assert site.view.stage == "bulk"
    site.says(voltage_mv=55_200)
    site.runs(10)
    assert site.view.stage == "absorption"
    site.runs(59)
    assert site.view.stage == "absorption"


# Float, and when to start again.


def test_float_asks_for_less() -> None:
    """The target falls along the slope to 53.6 V."""
    site = in_float()
    site.says(voltage_mv=53_600)
    site.runs(30)
    assert site.view.charge_voltage_limit_mv == 53_600
    assert site.binding("charge_voltage") == ("stage_target", None)


def test_two_starts_keep_their_distance() -> None:
    """However low the charge, the next start waits for restart_min_interval_ms since the last."""
    site = in_float(restart_below_soc_permille=800, restart_min_interval_ms=1_200_000)
    site.says(soc_permille=500)
    while site.view.stage == "float":
        site.runs(1)
    assert site.now_ms >= 1_200_000
    assert reason(site) == "restart_charge_low"


def test_a_pause_does_not_start_floats_time_anew() -> None:
    """Float goes on counting through a refusal: it ends ten minutes after it began."""
    site = in_float(restart_after_ms=600_000)
    site.runs(500)
    site.says("fir", charge_allowed=False)
    site.runs(5)
    site.says("fir", charge_allowed=True)
    site.runs(94)
    assert site.view.stage == "float"
    site.runs(1)
    assert site.view.stage == "bulk"


def test_idling_counts_from_float_on() -> None:
    """The night is counted in float only: an idle absorption is not part of it."""
    site = in_absorption(absorption_ms=1_200_000, restart_after_idle_ms=1_800_000)
    site.runs(1_200, every_s=5)
    assert site.view.stage == "float"
    site.runs(1_790, every_s=5)
    assert site.view.stage == "float"
    site.runs(10, every_s=5)
    assert site.view.stage == "bulk"


def test_charging_ends_the_night() -> None:
    """A moment of charging and the time without begins again; 1 A is none."""
    site = in_float(restart_after_idle_ms=600_000)
    site.runs(500, every_s=5)
    site.says("oak", current_ma=1_001)
    site.runs(5)
    site.says("oak", current_ma=1_000)
    site.runs(595, every_s=5)
    assert site.view.stage == "float"
    site.runs(5, every_s=5)
    assert site.view.stage == "bulk"


def test_a_short_sag_is_no_reason_to_start() -> None:
    """Below restart_below_mv for less than a minute: no start."""
    site = in_float(restart_below_mv=52_800)
    site.says(voltage_mv=52_700)
    site.runs(59)
    site.says(voltage_mv=52_800)
    site.runs(1)
    site.says(voltage_mv=52_700)
    site.runs(59)
    assert site.view.stage == "float"


def test_never_means_never() -> None:
    """With every reason to start left open, float lasts."""
    site = in_float(restart_after_ms=None)
    site.says(soc_permille=0, voltage_mv=51_000)
    site.runs(90_000, every_s=60)
    assert site.view.stage == "float"


# What the view foretells.


def test_the_view_tells_what_ends_the_stage() -> None:
    """Absorption: the held time that is left; float: the time until it starts again."""
    site = in_absorption()
    assert (site.view.stage_ends, site.view.stage_ends_ms) == ("absorption_served", 60_000)
    site.says(voltage_mv=54_000)
    site.runs(1)
    assert (site.view.stage_ends, site.view.stage_ends_ms) == ("absorption_longest", 14_399_000)
    site = in_float()
    assert (site.view.stage_ends, site.view.stage_ends_ms) == ("restart_time", 86_400_000)
    assert day().view.stage_ends is None


def test_a_pause_tells_how_long_the_dwell_lasts() -> None:
    """While denied its end is unknown, afterwards it is the dwell."""
    site = day()
    site.says("fir", charge_allowed=False)
    site.runs(5)
    assert (site.view.stage, site.view.stage_ends, site.view.stage_ends_ms) == (
        "paused",
        None,
        None,
    )
    site.says("fir", charge_allowed=True)
    site.runs(5)
    assert (site.view.stage, site.view.stage_ends) == ("paused", "charging_allowed_again")
    assert site.view.stage_ends_ms == 25_000
    assert site.view.stage_elapsed_ms == 8_000


def test_float_stays_below_absorption_whatever_the_owner_adjusts() -> None:
    """An absorption target adjusted below float's takes float along, 1 mV lower."""
    open_to_owner = (("absorption_mv", 53_000, 56_000),)
    site = in_float(adjustable=open_to_owner)
    assert site.asks("adjust_stage", field="absorption_mv", value=53_000) is None
    site.runs(30)
    assert site.caps("charge_voltage")["stage_target"].value == 52_999
