"""How much of its own limit a pack is asked for: tolerance, margin, temperature, extreme cell."""

import pytest

from aggregator import PackSettings
from aggregator.derate import along, reliable_ma
from tests.bank import Site

BENT = ((100, 0), (200, 1_000), (300, 1_000), (400, 200))


def adds(direction: str, settings: PackSettings | None = None, **words: object) -> int:
    """What a pack of 100 A that says `words` adds to one direction's sum [mA]."""
    site = Site(settings or PackSettings("oak"))
    site.says("oak", **words)
    site.runs(5)
    added: int = getattr(site.row("oak"), direction + "_contribution_ma")
    return added


LINE = (
    (-999, 0),
    (100, 0),
    (101, 10),
    (150, 500),
    (199, 990),
    (200, 1_000),
    (250, 1_000),
    (300, 1_000),
    (350, 600),
    (351, 592),
    (400, 200),
    (9_999, 200),
)


@pytest.mark.parametrize(("x", "permille"), LINE)
def test_a_curve_is_linear_between_its_points_and_flat_outside(x: int, permille: int) -> None:
    """Every point, every middle and both outsides of a bent curve come out as drawn."""
    assert along(BENT, x) == permille


def test_a_curve_rounds_down() -> None:
    """A third of the way up 1000 permille is 333, and down is 666."""
    assert along(((0, 0), (3, 1_000)), 1) == 333
    assert along(((0, 1_000), (3, 0)), 1) == 666


def test_a_curve_of_one_point_is_flat_and_one_of_none_derates_nothing() -> None:
    """The shortest curves are no special case for whoever draws them."""
    assert along(((50, 300),), -5) == along(((50, 300),), 500) == 300
    assert along((), 77) == 1_000


@pytest.mark.parametrize(
    ("own_ma", "tolerance_permille", "tolerance_ma", "margin_permille", "left_ma"),
    [
        (100_000, 0, 0, 0, 100_000),
        (100_000, 0, 0, 30, 97_000),
        (100_000, 20, 0, 0, 98_000),
        (100_000, 0, 1_500, 0, 98_500),
        (100_000, 20, 1_500, 30, 93_560),  # 97 000, then 95 060, then less 1 500
        (1_001, 0, 0, 30, 970),  # 970.97, rounded down
        (1_000, 0, 1_500, 0, 0),
        (0, 0, 0, 30, 0),
    ],
)
def test_what_errs_and_overshoots_is_kept_back(
    own_ma: int, tolerance_permille: int, tolerance_ma: int, margin_permille: int, left_ma: int
) -> None:
    """Margin, then the sensor's tolerance in permille, then in mA; rounded down, never below 0."""
    settings = PackSettings(
        "oak", sensor_tolerance_permille=tolerance_permille, sensor_tolerance_ma=tolerance_ma
    )
    assert reliable_ma(own_ma, settings, margin_permille) == left_ma


def test_a_ceiling_takes_the_place_of_a_larger_own_limit() -> None:
    """The installer's maximum for a pack narrows what the pack says, and never widens it."""
    for ceiling_ma, added_ma in ((60_000, 60_000), (200_000, 100_000), (0, 0)):
        settings = PackSettings("oak", charge_current_ceiling_ma=ceiling_ma)
        assert adds("charge", settings) == added_ma


def test_an_unknown_own_limit_is_nothing() -> None:
    """A pack that does not say its limit adds 0, whatever its ceiling."""
    settings = PackSettings("oak", charge_current_ceiling_ma=60_000)
    assert adds("charge", settings, charge_current_limit_ma=None) == 0
    assert adds("discharge", discharge_current_limit_ma=None) == 0


@pytest.mark.parametrize(
    ("decic", "charge", "discharge"),
    [
        (-200, 0, 0),
        (-100, 0, 50_000),
        (0, 0, 100_000),
        (75, 50_000, 100_000),
        (150, 100_000, 100_000),
        (450, 100_000, 100_000),
        (500, 50_000, 100_000),
        (550, 0, 100_000),
        (575, 0, 50_000),
        (600, 0, 0),
    ],
)
def test_the_default_temperature_curves(decic: int, charge: int, discharge: int) -> None:
    """Cold and heat take away as the defaults say, for charge and for discharge."""
    both = {"temperature_min_decic": decic, "temperature_max_decic": decic}
    assert adds("charge", **both) == charge
    assert adds("discharge", **both) == discharge


def test_the_coldest_and_the_hottest_sensor_both_count() -> None:
    """The worse of the two ends derates, and a list of sensors gives both ends."""
    assert adds("charge", temperature_min_decic=75, temperature_max_decic=500) == 50_000
    assert adds("charge", temperature_min_decic=30, temperature_max_decic=200) == 20_000
    assert adds("charge", temperature_min_decic=200, temperature_max_decic=520) == 30_000
    unsaid: dict[str, object] = {"temperature_min_decic": None, "temperature_max_decic": None}
    assert adds("charge", **unsaid, temperatures_decic=[200, 30, 200]) == 20_000
    assert adds("charge", **unsaid, temperatures_decic=[200, 520, 200]) == 30_000
    assert adds("charge", temperatures_decic=[200, 220]) == 100_000
    cold = {"temperature_min_decic": 30}  # a stated extreme beats the list
    assert adds("charge", **cold, temperatures_decic=[200, 210]) == 20_000


def test_one_sensor_stands_for_both_ends() -> None:
    """A pack that reports only one extreme is judged by it at both ends."""
    assert adds("charge", temperature_min_decic=None, temperature_max_decic=75) == 50_000
    assert adds("charge", temperature_min_decic=520, temperature_max_decic=None) == 30_000


def test_unknown_temperature_is_nothing_unless_nothing_is_derated() -> None:
    """Without a sensor there is no charge, except where the installer emptied the curve."""
    unsaid: dict[str, object] = {"temperature_min_decic": None, "temperature_max_decic": None}
    assert adds("charge", **unsaid) == 0
    assert adds("discharge", **unsaid) == 0
    flat = PackSettings("oak", charge_temperature_curve=(), discharge_temperature_curve=())
    assert adds("charge", flat, **unsaid) == 100_000
    assert adds("discharge", flat, **unsaid) == 100_000


def steps(*decics: int | None, hysteresis_decic: int = 20) -> list[int]:
    """What the pack adds to charge at each of these temperatures, one after the other."""
    site = Site(PackSettings("oak", temperature_hysteresis_decic=hysteresis_decic))
    added = []
    for decic in decics:
        site.says("oak", temperature_min_decic=decic, temperature_max_decic=decic)
        site.runs(5)
        added.append(site.row("oak").charge_contribution_ma)
    return added


def test_a_derating_eases_only_past_the_hysteresis() -> None:
    """Down at once; back up only by as much as the temperature came back beyond 2 °C."""
    assert steps(75, 90, 95, 110) == [50_000, 50_000, 50_000, 60_000]
    assert steps(500, 485, 480, 470) == [50_000, 50_000, 50_000, 60_000]
    assert steps(75, 90, hysteresis_decic=0) == [50_000, 60_000]


def test_a_sensor_that_comes_back_starts_on_the_far_side() -> None:
    """A silent sensor is the worst there is; its return must get past the hysteresis."""
    assert steps(90, None, 90) == [60_000, 0, 46_600]


@pytest.mark.parametrize(
    ("cell_max_mv", "charge"),
    [(3_399, 100_000), (3_400, 100_000), (3_465, 50_000), (3_529, 700), (3_530, 0), (3_600, 0)],
)
def test_the_top_cell_tapers_charge(cell_max_mv: int, charge: int) -> None:
    """From 3400 mV to 3530 mV of the highest cell charging fades to nothing."""
    assert adds("charge", cell_max_mv=cell_max_mv) == charge


@pytest.mark.parametrize(
    ("cell_min_mv", "discharge"),
    [(2_900, 100_000), (2_800, 50_000), (2_701, 500), (2_700, 0), (2_500, 0)],
)
def test_the_bottom_cell_tapers_discharge(cell_min_mv: int, discharge: int) -> None:
    """From 2900 mV down to 2700 mV of the lowest cell discharge fades to nothing."""
    assert adds("discharge", cell_min_mv=cell_min_mv) == discharge


def test_unknown_cells_are_nothing_unless_nothing_is_tapered() -> None:
    """A pack that tells no cell is not charged, except where the installer emptied the curve."""
    assert adds("charge", cell_max_mv=None) == 0
    assert adds("discharge", cell_min_mv=None) == 0
    flat = PackSettings("oak", charge_cell_curve=(), discharge_cell_curve=())
    assert adds("charge", flat, cell_max_mv=None) == 100_000
    assert adds("discharge", flat, cell_min_mv=None) == 100_000


def test_deratings_multiply() -> None:
    """Half by temperature and half by the top cell leave a quarter."""
    words = {"temperature_min_decic": 75, "temperature_max_decic": 75, "cell_max_mv": 3_465}
    assert adds("charge", **words) == 25_000


def test_a_sensor_that_fell_silent_leaves_nothing_of_any_curve() -> None:
    """Even where the curve leaves half at its coldest: unknown is worse than cold."""
    for curve in (((0, 500), (100, 1_000)), ((0, 1_000), (100, 500)), ((0, 1_000),)):
        site = Site(PackSettings("oak", charge_temperature_curve=curve))
        site.runs(5)
        assert site.row("oak").charge_contribution_ma >= 50_000
        site.says(temperature_min_decic=None, temperature_max_decic=None)
        site.runs(1)
        assert site.row("oak").charge_contribution_ma == 0


def test_the_first_temperature_is_taken_as_it_is() -> None:
    """A pack that never told one has none to come back from: 15 degrees are enough at once."""
    site = Site("oak")
    site.says(temperature_min_decic=None, temperature_max_decic=None)
    site.runs(5)
    site.says(temperature_min_decic=150, temperature_max_decic=150)
    site.runs(1)
    assert site.row("oak").charge_contribution_ma == 100_000
