"""Readings that stand still while others move are silence, too; a quiet night is not frozen."""

import pytest

from tests.bank import Site


def presence(site: Site, pack: str) -> tuple[str, str | None]:
    """How the view shows a pack's presence, and why."""
    row = site.row(pack)
    return row.presence, row.why_ignored


def toggles(site: Site, pack: str, seconds: int) -> None:
    """A load goes on and off: the pack's current moves by 10 A every 5 s."""
    for turn in range(seconds // 5):
        site.says(pack, current_ma=-10_000 if turn % 2 else 0)
        site.runs(5)


def test_frozen_readings_make_a_pack_unheard() -> None:
    """Readings that stand still while the neighbour's current moves are silence, too."""
    site = Site("oak", "fir")
    toggles(site, "oak", 300)
    assert presence(site, "fir")[0] == "live"
    toggles(site, "oak", 20)
    assert presence(site, "fir") == ("unheard", "readings frozen")
    assert presence(site, "oak") == ("live", None)


def test_a_frozen_pack_returns_once_its_readings_move() -> None:
    """Three moving readings bring it back; still ones, however fresh, do not."""
    site = Site("oak", "fir")
    toggles(site, "oak", 320)
    site.runs(20)
    assert presence(site, "fir")[0] == "unheard"
    for millivolt in (53_010, 53_020, 53_030):
        site.says("fir", voltage_mv=millivolt)
        site.runs(1)
    assert presence(site, "fir") == ("live", None)


def test_moves_with_silence_between_them_are_not_in_a_row() -> None:
    """A board that wakes for one reading every half hour does not come back on the third."""
    site = Site("oak", "fir")
    toggles(site, "oak", 320)
    for millivolt in (53_010, 53_020, 53_030, 53_040):
        site.says("fir", voltage_mv=millivolt)
        site.runs(31)
        assert presence(site, "fir") == ("unheard", "readings frozen")
    for millivolt in (53_050, 53_060, 53_070):
        site.says("fir", voltage_mv=millivolt)
        site.runs(29)
    assert presence(site, "fir") == ("live", None)


def test_a_quiet_night_is_not_frozen() -> None:
    """Where nobody's current moves, readings may stand still all night."""
    site = Site("oak", "fir")
    site.runs(2_000, every_s=5)
    assert presence(site, "oak") == ("live", None)
    assert presence(site, "fir") == ("live", None)


def test_an_open_path_may_stand_still() -> None:
    """A pack whose path is open has no current to move: it is not frozen."""
    site = Site("oak", "fir")
    site.says("fir", charge_path_closed=False)
    toggles(site, "oak", 400)
    assert presence(site, "fir")[0] == "live"


def test_frozen_cell_lists_make_a_pack_unheard() -> None:
    """A pack that reports each cell instead of the extremes freezes like any other."""
    site = Site("oak", "fir")
    site.says(cell_min_mv=None, cell_max_mv=None, cells_mv=[3_310] * 15 + [3_315])
    toggles(site, "oak", 400)
    assert presence(site, "fir") == ("unheard", "readings frozen")


def test_a_smooth_day_moves_the_current_too() -> None:
    """A neighbour that climbs by 0.9 A a second for 100 s has moved."""
    site = Site("oak", "fir")
    for second in range(900):
        site.says("oak", current_ma=900 * (second % 100))
        site.runs(1)
    assert presence(site, "fir") == ("unheard", "readings frozen")


def test_a_frozen_pack_cannot_be_declared_removed() -> None:
    """A pack that reports is connected, even if what it reports does not count."""
    site = Site("oak", "fir")
    toggles(site, "oak", 320)
    refusal = site.asks("declare_removed", pack="fir")
    assert refusal is not None
    assert refusal.field == "pack"
    site.runs(5)
    assert presence(site, "fir") == ("unheard", "readings frozen")


def test_a_frozen_pack_that_falls_silent_is_silent() -> None:
    """Once it says nothing at all it may be declared removed."""
    site = Site("oak", "fir")
    toggles(site, "oak", 320)
    site.falls_silent("fir")
    site.runs(60)
    assert presence(site, "fir") == ("unheard", "silent")
    assert site.asks("declare_removed", pack="fir") is None


def test_nothing_rises_while_a_frozen_packs_last_reading_is_late() -> None:
    """Found frozen in the middle of falling silent, it holds the limits like any late pack."""
    site = Site("oak", "fir")
    site.says("oak", charge_voltage_limit_mv=50_000)
    toggles(site, "oak", 290)
    site.falls_silent("fir")
    toggles(site, "oak", 25)
    assert presence(site, "fir") == ("unheard", "readings frozen, then late")
    held_mv = site.view.charge_voltage_limit_mv
    site.says("oak", charge_voltage_limit_mv=56_000)
    site.runs(4)
    assert presence(site, "fir") == ("unheard", "readings frozen, then late")
    assert site.view.charge_voltage_limit_mv == held_mv
    site.runs(15)
    assert presence(site, "fir") == ("unheard", "silent")
    assert site.view.charge_voltage_limit_mv > held_mv


def test_frozen_readings_that_come_late_hold_and_fresh_ones_do_not() -> None:
    """A gap of a few seconds in frozen readings holds the limits only as long as it lasts."""
    site = Site("oak", "fir")
    site.says("oak", charge_voltage_limit_mv=50_000)
    toggles(site, "oak", 320)
    assert presence(site, "fir") == ("unheard", "readings frozen")
    site.falls_silent("fir")
    site.runs(15)
    assert presence(site, "fir") == ("unheard", "readings frozen, then late")
    held_mv = site.view.charge_voltage_limit_mv
    site.says("oak", charge_voltage_limit_mv=56_000)
    site.runs(5)
    assert site.view.charge_voltage_limit_mv == held_mv
    site.speaks("fir")
    site.runs(5)
    assert presence(site, "fir") == ("unheard", "readings frozen")
    assert site.view.charge_voltage_limit_mv > held_mv


def test_a_single_switched_load_is_no_evidence() -> None:
    """One step of the neighbour's current in five minutes does not make a pack frozen."""
    site = Site("oak", "fir")
    site.runs(200)
    site.says("oak", current_ma=-10_000)
    site.runs(400)
    assert presence(site, "fir")[0] == "live"


def moves(site: Site, pack: str, step_ma: int, times: int) -> None:
    """A load goes on and off every half second; then all is still until silence is looked for."""
    for turn in range(times):
        site.says(pack, current_ma=0 if turn % 2 else step_ma)
        site.runs(0.5, every_s=0.5)
    site.runs(12)


@pytest.mark.parametrize(("times", "frozen"), [(9, False), (10, True)])
def test_ten_moves_are_evidence(times: int, frozen: bool) -> None:
    """As many steps in which the neighbour's current moved, while fir stood still, and no fewer."""
    site = Site("oak", "fir", frozen_ms=10_000)
    site.runs(5)
    site.says("oak", current_ma=-5_000)
    site.says("fir", voltage_mv=53_001)  # its last move, in a step that does not count
    site.runs(1)
    moves(site, "oak", 5_000, times)
    assert (presence(site, "fir")[0] == "unheard") is frozen


@pytest.mark.parametrize(
    ("step_ma", "moved"), [(1_000, True), (999, False), (-1_000, True), (-999, False)]
)
def test_a_current_moves_by_what_is_more_than_none(step_ma: int, moved: bool) -> None:
    """zero_current_ma up or down is a move; less is a sensor's noise."""
    site = Site("oak", "fir", frozen_ms=10_000)
    site.runs(5)
    moves(site, "oak", step_ma, 24)
    assert (presence(site, "fir")[0] == "unheard") is moved


@pytest.mark.parametrize(
    ("field", "value", "alive"),
    [
        ("voltage_mv", 53_001, True),
        ("current_ma", 1, True),
        ("cell_min_mv", 3_309, True),
        ("cell_max_mv", 3_316, True),
        ("soc_permille", 501, True),
        ("temperature_min_decic", 199, False),
    ],
)
def test_any_reading_that_moves_is_alive(field: str, value: int, alive: bool) -> None:
    """Voltage, current, an extreme cell or the charge alone: a unit is enough. Temperatures are too
    slow to tell."""
    site = Site("oak", "fir", frozen_ms=10_000)
    site.runs(5)
    still = site.words["fir"][field]
    for turn in range(40):
        site.says("oak", current_ma=0 if turn % 2 else 5_000)
        site.says("fir", **{field: still if turn % 2 else value})
        site.runs(0.5, every_s=0.5)
    assert (presence(site, "fir")[0] == "live") is alive


@pytest.mark.parametrize(
    ("times", "now_ms", "shown"),
    [(10, 10_000, "live"), (10, 10_001, "unheard"), (9, 10_001, "live")],
)
def test_a_pack_that_says_nothing_stands_still_from_the_start(
    times: int, now_ms: int, shown: str
) -> None:
    """Its reports tell no reading at all, while the neighbour's current has moved ten times."""
    site = Site("oak", "fir", frozen_ms=10_000)
    site.says("fir", **dict.fromkeys(site.words["fir"]))
    site.runs(4.5, every_s=0.5)
    for turn in range(times):
        site.says("oak", current_ma=0 if turn % 2 else 5_000)
        site.runs(0.5, every_s=0.5)
    site.now_ms = now_ms
    site.reports("fir", age_ms=1)  # an aged reading is looked at in the next step
    site.bank.step(now_ms)
    assert presence(site, "fir")[0] == shown


@pytest.mark.parametrize(("first_ms", "seen_ms"), [(1_000, 20_000), (999, 20_999)])
def test_frozen_readings_are_looked_for_every_fresh_ms(first_ms: int, seen_ms: int) -> None:
    """Ten seconds after the first step, and ten seconds after that, to the millisecond; reports that
    come right after a step make nobody look sooner."""
    site = Site("oak", "fir", frozen_ms=12_000)
    while presence(site, "fir")[1] != "readings frozen":
        site.says("oak", current_ma=0 if site.words["oak"]["current_ma"] else 5_000)
        for pack in site.words:
            assert site.reports(pack) is None
        site.now_ms += 1_000 if site.now_ms else first_ms
        site.bank.step(site.now_ms)
    assert site.now_ms == seen_ms


def test_a_pack_that_says_no_current_moves_none() -> None:
    """Its voltage moves, but that is no evidence that fir's current should have."""
    site = Site("oak", "fir", frozen_ms=10_000)
    site.says("oak", current_ma=None)
    for turn in range(60):
        site.says("oak", voltage_mv=53_000 + turn % 2)
        site.runs(1)
    assert presence(site, "fir")[0] == "live"
