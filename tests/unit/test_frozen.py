"""Readings that stand still while others move are silence, too; a quiet night is not frozen."""

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


def test_a_single_switched_load_is_no_evidence() -> None:
    """One step of the neighbour's current in five minutes does not make a pack frozen."""
    site = Site("oak", "fir")
    site.runs(200)
    site.says("oak", current_ma=-10_000)
    site.runs(400)
    assert presence(site, "fir")[0] == "live"
