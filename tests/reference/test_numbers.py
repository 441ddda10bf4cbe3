"""Single numbers of the trade that the core must come out at: voltages, curves, tails, charge."""

import pytest

from aggregator import PackSettings, StageSettings
from tests.bank import Site, in_float


@pytest.mark.source(
    "PRACTICE", "3.45 V a cell absorption, 3.35 V float: 55.2 V, 53.6 V for 16 cells"
)
def test_the_days_voltages() -> None:
    """Sixteen cells are charged to 55.2 V and rest at 53.6 V; fifteen at 51.75 V and 50.25 V."""
    for cells, absorption_mv, float_mv in ((16, 55_200, 53_600), (15, 51_750, 50_250)):
        site = Site("oak", stages=StageSettings(absorption_ms=0), cell_count=cells)
        site.says(voltage_mv=absorption_mv, cell_max_mv=3_440)
        site.says(charge_voltage_limit_mv=60_000)
        site.runs(30)
        assert site.caps("charge_voltage")["stage_target"].value == absorption_mv
        site.runs(90)
        assert site.view.stage == "float"
        assert site.view.charge_voltage_limit_mv == float_mv


@pytest.mark.source("PRACTICE", "0 at 0 C, full at 15 C .. 45 C, 0 at 55 C: 7.5 C 50 %, 52 C 30 %")
@pytest.mark.parametrize(
    ("decic", "percent"), [(75, 50), (520, 30), (0, 0), (150, 100), (450, 100)]
)
def test_the_charge_temperature_curve(decic: int, percent: int) -> None:
    """A pack of 100 A at 7.5 °C is asked for 50 A, at 52 °C for 30 A."""
    site = Site("oak")
    site.says(temperature_min_decic=decic, temperature_max_decic=decic)
    site.runs(5)
    assert site.row("oak").charge_contribution_ma == percent * 1_000


@pytest.mark.source("PRACTICE", "tail of 0.05 C: 14 A for 280 Ah")
@pytest.mark.parametrize(("current_ma", "stage"), [(14_000, "float"), (14_001, "absorption")])
def test_the_tail_current(current_ma: int, stage: str) -> None:
    """A pack of 280 Ah is full at 14 000 mA at 55.2 V, not at 14 001 mA."""
    stages = StageSettings(absorption_mode="until_full", absorption_min_ms=0)
    site = Site(PackSettings("oak", capacity_mah=280_000), stages=stages)
    site.says(voltage_mv=55_200, current_ma=current_ma)
    site.runs(300)
    assert site.view.stage == stage


@pytest.mark.source("DERIVED", "sum of z Q over sum of Q: 46 400 / 790 = 58.734 %")
def test_charge_is_weighted_by_capacity() -> None:
    """50 % and 50 % of 280 Ah and 80 % of 230 Ah are 58.73 %, told as 587 permille (mean: 60 %)."""
    site = Site("ash", "elm", "oak")
    site.says("ash", "elm", capacity_mah=280_000, soc_permille=500)
    site.says("oak", capacity_mah=230_000, soc_permille=800)
    view = site.runs(5)
    assert view.soc_permille == int(1_000 * (2 * 280 * 0.5 + 230 * 0.8) / 790) == 587
    assert (view.remaining_mah, view.capacity_mah) == (464_000, 790_000)


@pytest.mark.source("PRACTICE", "taper from the highest cell, full at 3.40 V, nothing at 3.53 V")
@pytest.mark.parametrize(("cell_max_mv", "percent"), [(3_400, 100), (3_465, 50), (3_530, 0)])
def test_the_top_cell_taper(cell_max_mv: int, percent: int) -> None:
    """A pack of 100 A whose highest cell is half way to the end is asked for 50 A."""
    site = Site("oak")
    site.says(cell_max_mv=cell_max_mv)
    site.runs(5)
    assert site.row("oak").charge_contribution_ma == percent * 1_000


@pytest.mark.source("PRACTICE", "a new charge after 24 h in float")
def test_a_new_day() -> None:
    """Float ends after 24 h and not a step earlier."""
    site = in_float()
    site.runs(86_340, every_s=60)
    assert site.view.stage == "float"
    site.runs(60, every_s=60)
    assert site.view.stage == "bulk"
