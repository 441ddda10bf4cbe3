"""Every finding is raised once and cleared once, and none of them changes a limit."""

from collections.abc import Callable

import pytest

from aggregator import LIMITS, StageSettings
from aggregator.findings import BANK_FINDINGS, PACK_FINDINGS, Findings
from tests.bank import Site, in_absorption

TURN_S = 12  # in this time every condition of a bank of two has its turn
DAY_S = 86_400
Story = tuple[Callable[[], Site], Callable[[Site], None]]


def ready() -> Site:
    """Two packs at rest, every limit up, for whom shares are of no interest."""
    return Site("oak", "fir").is_ready()


def over_loss() -> Site:
    """Each carries 90 A: if one opened, the other would have 180 A."""
    site = ready()
    site.says(current_ma=90_000)
    return site


def over_charge() -> Site:
    """A charger delivers 80 A where 50 A are wished."""
    site = ready()
    site.says(current_ma=40_000)
    site.runs(30)
    site.asks("cap_charge_current", value=50_000)
    site.runs(30)  # the limits of the last 30 s are forgiven
    return site


def over_discharge() -> Site:
    """Loads draw 80 A where 50 A are wished."""
    site = ready()
    site.says(current_ma=-40_000)
    site.asks("cap_discharge_current", value=50_000)
    site.runs(30)
    return site


def high_cell() -> Site:
    """fir has a cell at 3500 mV while the bank is far from its target."""
    site = ready()
    site.says("fir", cell_max_mv=3_500)
    return site


def stalled() -> Site:
    """In bulk nothing flows and the room alone holds the limit; test_headroom_cases.py has why."""
    return ready()


def wrong_sign() -> Site:
    """fir's sensor is wired the wrong way round."""
    site = ready()
    for minute in range(14):
        total_ma = 60_000 if minute % 2 else 20_000
        site.says("oak", current_ma=total_ma * 12 // 10)
        site.says("fir", current_ma=-total_ma * 2 // 10)
        site.runs(60, every_s=5)
    return site


def right_sign(site: Site) -> None:
    """Both sensors tell the truth for a quarter of an hour."""
    for minute in range(16):
        site.says(current_ma=30_000 if minute % 2 else 10_000)
        site.runs(60, every_s=5)


def at_rest() -> Site:
    """Nothing ever moves."""
    return ready()


def over_limit() -> Site:
    """fir takes 101.1 A of its 100 A; 1 A is forgiven."""
    site = ready()
    site.says("fir", current_ma=101_001)
    return site


def into_refusing() -> Site:
    """fir refuses, says that its path is open, and still takes 1.1 A."""
    site = ready()
    site.says("fir", charge_allowed=False, charge_path_closed=False, current_ma=1_100)
    return site


def circulation() -> Site:
    """oak drives 60 A through fir, which may take 40 A; the bank's total is 0."""
    site = ready()
    site.says("oak", current_ma=-60_000)
    site.says("fir", current_ma=60_000, charge_current_limit_ma=40_000)
    return site


def frozen() -> Site:
    """fir's readings stand still while a load on oak goes on and off."""
    site = ready()
    for turn in range(64):
        site.says("oak", current_ma=-10_000 if turn % 2 else 0)
        site.runs(5)
    return site


def path_unknown() -> Site:
    """fir refuses and says nothing of its path; the setting does not tell either."""
    site = ready()
    site.says("fir", charge_allowed=False, charge_path_closed=None)
    return site


def counter_low() -> Site:
    """The bank is full, fir takes 1 A, and its counter says 90 %."""
    site = in_absorption()
    site.says(soc_permille=1_000)
    site.says("fir", soc_permille=900, current_ma=1_000)
    site.runs(61)
    assert site.view.stage == "float"
    return site


def moves(site: Site) -> None:
    """fir's readings move again."""
    for millivolt in (52_990, 52_980, 52_970):
        site.says("fir", voltage_mv=millivolt)
        site.runs(1)


def says(**fields: object) -> Callable[[Site], None]:
    """Clearing: from now on fir says so."""
    return lambda site: site.says("fir", **fields)


def both_say(**fields: object) -> Callable[[Site], None]:
    """Clearing: from now on both say so."""
    return lambda site: site.says(**fields)


STORIES: dict[str, Story] = {
    "pack_loss_overloads_rest": (over_loss, both_say(current_ma=40_000)),
    "charger_ignores_limit": (over_charge, both_say(current_ma=25_000)),
    "load_above_limit": (over_discharge, both_say(current_ma=-25_000)),
    "cell_blocks_absorption": (high_cell, says(cell_max_mv=3_400)),
    "headroom_stalls": (stalled, both_say(current_ma=20_000)),
    "share_implausible": (wrong_sign, right_sign),
    "shares_not_learned": (at_rest, right_sign),
    "pack_over_own_limit": (over_limit, says(current_ma=101_000)),
    "current_into_refusing_pack": (into_refusing, says(current_ma=1_000)),
    "idle_circulation_above_limit": (circulation, says(charge_current_limit_ma=60_000)),
    "readings_frozen": (frozen, moves),
    "refusal_path_unknown": (path_unknown, says(charge_path_closed=False)),
    "soc_disagrees_with_full": (counter_low, says(soc_permille=950)),
}

BANK_ROWS = [(name, None, hold_ms) for name, _, hold_ms in BANK_FINDINGS]
PACK_ROWS = [(name, "fir", hold_ms) for name, _, hold_ms in PACK_FINDINGS]


def waits(site: Site, seconds: float) -> None:
    """Let time pass, in steps that suit the length."""
    site.runs(seconds, every_s=1 if seconds < 3_600 else 60)


def test_every_finding_has_its_story() -> None:
    """The stories above are the rows of both tables, one each, in their order."""
    assert list(STORIES) == [row[0] for row in BANK_ROWS + PACK_ROWS]


@pytest.mark.parametrize(
    ("name", "pack", "hold_ms"),
    BANK_ROWS + PACK_ROWS,
    ids=[row[0] for row in BANK_ROWS + PACK_ROWS],
)
def test_every_finding_is_raised_once_and_cleared_once(
    name: str, pack: str | None, hold_ms: int
) -> None:
    """Shown when its condition has lasted for its hold time, gone when the condition ends."""
    begin, end = STORIES[name]
    site = begin()
    hold_s = hold_ms / 1_000
    if hold_s:
        waits(site, hold_s / 2)
        assert (name, pack) not in site.findings()
    waits(site, hold_s * 1.1 + 10 * TURN_S)
    assert (name, pack) in site.findings()
    end(site)
    site.runs(TURN_S)
    assert (name, pack) not in site.findings()


def test_current_through_an_open_path_is_found() -> None:
    """fir refuses nothing, but says that its path is open, and takes 20 A."""
    site = ready()
    site.says("fir", charge_path_closed=False, current_ma=20_000)
    site.runs(30)
    assert ("current_into_refusing_pack", "fir") in site.findings()


def test_a_condition_that_comes_and_goes_is_not_found() -> None:
    """Its time starts over whenever it ends."""
    site = ready()
    for _ in range(10):
        site.says("fir", current_ma=102_000)
        site.runs(9)
        site.says("fir", current_ma=0)
        site.runs(TURN_S)
        assert ("pack_over_own_limit", "fir") not in site.findings()


def test_a_silent_pack_is_found_nothing_about() -> None:
    """What an unheard pack last said is no condition of today."""
    site = over_limit()
    site.runs(40)
    assert ("pack_over_own_limit", "fir") in site.findings()
    site.falls_silent("fir")
    site.runs(60)
    assert ("pack_over_own_limit", "fir") not in site.findings()


def test_chargers_and_loads_have_time_to_follow() -> None:
    """A limit that has just fallen is not ignored yet: a charger needs its seconds."""
    site = ready()
    site.says(current_ma=40_000)
    site.runs(30)
    site.asks("cap_charge_current", value=20_000)
    site.runs(20)
    site.says(current_ma=10_000)
    site.runs(60)
    assert site.findings() == set()


@pytest.mark.parametrize("story", [over_loss, over_charge, high_cell, circulation, path_unknown])
def test_no_finding_changes_a_limit(
    story: Callable[[], Site], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With findings switched off every limit is the same, step by step."""

    def limits() -> list[object]:
        site = story()
        seen: list[object] = []
        for _ in range(90):
            site.runs(1)
            seen.append([site.bank.why(limit) for limit in LIMITS])
        return seen

    with_findings = limits()
    monkeypatch.setattr(Findings, "step", lambda self, bank: None)
    assert limits() == with_findings


def test_a_full_day_finds_nothing_in_a_healthy_bank() -> None:
    """Two packs that share evenly, charge to the top and rest: nothing to report."""
    site = Site("oak", "fir", stages=StageSettings(absorption_ms=600_000)).is_ready()
    found: set[tuple[str, str | None]] = set()
    for minute in range(70):
        site.says(current_ma=45_000 - 500 * (minute % 7))
        site.says(voltage_mv=53_000 + 40 * minute, soc_permille=930 + minute)
        site.runs(60, every_s=5)
        found |= site.findings()
    assert site.view.stage == "float"
    assert found == set()
