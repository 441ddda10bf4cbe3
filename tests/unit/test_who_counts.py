"""Who counts for what: the table of the rules, row by row and column by column.

Two packs, `oak` (always live) and `fir`, which is brought into each row's state. The numbers are
chosen so that fir is the extreme one in every column, and its absence would show.
"""

from collections.abc import Callable
from functools import cache

import pytest

from tests.bank import Site

OAK = {"voltage_mv": 53_000, "current_ma": 10_000, "soc_permille": 500}
FIR = {
    "voltage_mv": 53_200,
    "current_ma": 20_000,
    "soc_permille": 800,
    "cell_min_mv": 3_300,
    "cell_max_mv": 3_360,
    "temperature_min_decic": 180,
    "temperature_max_decic": 240,
    "warnings": ["cell_imbalance"],
    "protections": ["other"],
    "charge_voltage_limit_mv": 53_050,
    "discharge_voltage_limit_mv": 51_000,
    "charge_current_limit_ma": 60_000,
    "discharge_current_limit_ma": 70_000,
}


def live(site: Site) -> None:
    """Nothing happens to fir."""


def withheld(site: Site) -> None:
    """The owner keeps fir out of the sums."""
    site.asks("withhold_pack", pack="fir")


def charge_open(site: Site) -> None:
    """fir says that its charge path is open, and its current can only flow out."""
    site.says("fir", charge_path_closed=False, charge_allowed=False, current_ma=-5_000)


def discharge_open(site: Site) -> None:
    """fir says that its discharge path is open."""
    site.says("fir", discharge_path_closed=False, discharge_allowed=False)


def refuses_closed(site: Site) -> None:
    """fir refuses charge, and says that its path is closed."""
    site.says("fir", charge_allowed=False)


def refuses_unknown(site: Site) -> None:
    """fir refuses charge, and says nothing of its path."""
    site.says("fir", charge_allowed=False, charge_path_closed=None)


def late(site: Site) -> None:
    """fir has been silent for 15 s when the minute is over."""
    site.runs(40)
    site.falls_silent("fir")


def unheard(site: Site) -> None:
    """fir has been silent for longer than unheard_ms."""
    site.falls_silent("fir")


def removed(site: Site) -> None:
    """fir was disconnected, and the owner says so."""
    site.falls_silent("fir")
    site.runs(31)
    assert site.asks("declare_removed", pack="fir") is None


@cache
def in_state(state: Callable[[Site], None]) -> Site:
    """A site where fir has been in `state` for long enough (late: for 15 s). Only to look at."""
    site = Site("oak", "fir")
    site.says("oak", **OAK)
    site.says("fir", **FIR)
    site.is_ready()
    state(site)
    site.runs(15 if state is late else 75)
    return site


# state: current sum, what fir adds to charge and to discharge
SUMS = (
    (live, 30_000, 60_000, 70_000),
    (withheld, 30_000, 0, 0),
    (charge_open, 5_000, 0, 70_000),
    (discharge_open, 30_000, 60_000, 0),
    (refuses_closed, 30_000, 0, 70_000),
    (refuses_unknown, 30_000, 0, 70_000),
    (late, 30_000, 60_000, 70_000),
    (unheard, 10_000, 0, 0),
    (removed, 10_000, 0, 0),
)


@pytest.mark.parametrize(("state", "total", "charge", "discharge"), SUMS)
def test_current_sum_and_contributions(
    state: Callable[[Site], None], total: int, charge: int, discharge: int
) -> None:
    """The first two columns: what fir adds to the current and to each limit's sum."""
    site = in_state(state)
    assert site.view.current_ma == total
    assert site.row("fir").charge_contribution_ma == charge
    assert site.row("fir").discharge_contribution_ma == discharge
    sums = site.caps("charge_current"), site.caps("discharge_current")
    assert sums[0]["contributions"].value == 100_000 + charge
    assert sums[1]["contributions"].value == 100_000 + discharge


# state: headroom for charge, with the tightest pack; likewise for discharge. With every row: the
# least of 10 A + 20 A + what either pack has left. None: bare rooms are not what binds.
ROWS = (
    (live, (70_000, "fir"), "fir"),
    (withheld, (70_000, "fir"), "fir"),
    (charge_open, (95_000, "oak"), "fir"),
    (discharge_open, (70_000, "fir"), "oak"),
    (refuses_closed, (70_000, "fir"), "fir"),
    (refuses_unknown, (70_000, "fir"), "fir"),
    (late, (70_000, "fir"), "fir"),
    (unheard, (70_000, "fir"), "fir"),
    (removed, (100_000, "oak"), "oak"),
)


@pytest.mark.parametrize(("state", "charge", "discharge_pack"), ROWS)
def test_headroom_rows(
    state: Callable[[Site], None], charge: tuple[int, str], discharge_pack: str
) -> None:
    """The third column: whose room may bind, in either direction."""
    site = in_state(state)
    cap = site.caps("charge_current")["headroom"]
    assert (cap.value, cap.pack) == charge
    assert site.caps("discharge_current")["headroom"].pack == discharge_pack


# state: what denies charging outright (None: nothing), with the pack it names
DENIALS = (
    (live, None),
    (withheld, None),
    (charge_open, None),
    (discharge_open, None),
    (refuses_closed, ("refuses_but_connected", "fir")),
    (refuses_unknown, ("refuses_but_connected", "fir")),
    (late, None),
    (unheard, ("unheard", "fir")),
    (removed, None),
)


@pytest.mark.parametrize(("state", "denial"), DENIALS)
def test_denials(state: Callable[[Site], None], denial: tuple[str, str] | None) -> None:
    """Still the third column: which states stop the bank's charging, and what is said about it."""
    site = in_state(state)
    assert site.view.charge_allowed is (denial is None)
    if denial is not None:
        assert site.view.charge_current_limit_ma == 0
        assert site.binding("charge_current") == denial


@pytest.mark.parametrize(
    ("state", "binds"), [(state, state is not removed) for state, *_ in DENIALS]
)
def test_own_voltage_limits(state: Callable[[Site], None], binds: bool) -> None:
    """The fourth column: a pack's voltage limits bind unless it was removed."""
    site = in_state(state)
    charge = site.caps("charge_voltage")["own_limit"]
    discharge = site.caps("discharge_voltage")["own_limit"]
    if binds:
        assert (charge.value, charge.pack) == (53_050, "fir")
        assert (discharge.value, discharge.pack) == (51_000, "fir")
    else:
        assert (charge.value, charge.pack) == (57_600, "oak")
        assert (discharge.value, discharge.pack) == (44_000, "oak")
    assert ("limp" in site.caps("charge_voltage")) is (state is unheard)


# state: state of charge (both packs have 200 Ah), capacity, flagged as partial
CHARGES = [(state, 650, 400_000, state is late) for state, *_ in DENIALS[:7]] + [
    (unheard, 500, 200_000, True),
    (removed, 500, 200_000, False),
]


@pytest.mark.parametrize(("state", "soc", "capacity", "partial"), CHARGES)
def test_state_of_charge(
    state: Callable[[Site], None], soc: int, capacity: int, partial: bool
) -> None:
    """The fifth column: whose charge and capacity count, and when the sum is flagged."""
    view = in_state(state).view
    assert (view.soc_permille, view.capacity_mah, view.partial) == (soc, capacity, partial)
    assert view.remaining_mah == soc * capacity // 1_000


@pytest.mark.parametrize(
    ("state", "kept"), [(state, state is not removed) for state, *_ in DENIALS]
)
def test_extremes_and_alarms(state: Callable[[Site], None], kept: bool) -> None:
    """The last column: extremes and alarms of a silent pack are kept, of a removed one not."""
    view = in_state(state).view
    cells = (view.cell_min_mv, view.cell_min_pack, view.cell_max_mv, view.cell_max_pack)
    heat = (view.temperature_min_decic, view.temperature_max_decic)
    if kept:
        assert cells == (3_300, "fir", 3_360, "fir")
        assert heat == (180, 240)
        assert (view.temperature_min_pack, view.temperature_max_pack) == ("fir", "fir")
        assert (view.warnings, view.protections) == (("cell_imbalance",), ("other",))
    else:
        assert cells == (3_310, "oak", 3_315, "oak")
        assert heat == (200, 220)
        assert (view.warnings, view.protections) == ((), ())


def test_a_late_pack_lets_nothing_rise_but_may_fall() -> None:
    """While fir is late no limit of the bank rises, and every limit still falls."""
    site = Site("oak", "fir", ramp_permille_per_s=10)
    site.runs(40)
    site.falls_silent("fir")
    site.runs(12)
    before = site.view.copy()
    site.runs(5)
    assert site.view.charge_current_limit_ma == before.charge_current_limit_ma < 100_000
    assert site.view.discharge_current_limit_ma == before.discharge_current_limit_ma
    assert site.view.charge_voltage_limit_mv <= before.charge_voltage_limit_mv
    site.says("oak", charge_current_limit_ma=3_000)
    site.runs(1)
    assert site.view.charge_current_limit_ma == 3_000
