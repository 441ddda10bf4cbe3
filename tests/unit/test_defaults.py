"""The defaults are those that the rules name, and fit any number of cells."""

from collections.abc import Callable
from typing import Any

import pytest

from aggregator import BankSettings, PackSettings, StageSettings
from aggregator.ranges import (
    BANK_CHOICES,
    BANK_FLAGS,
    BANK_INTS,
    PACK_CURVES,
    PACK_FIELDS,
    PACK_FLAGS,
    PACK_INTS,
    STAGE_CHOICES,
    STAGE_INTS,
)

Make = Callable[..., Any]
Choices = tuple[tuple[str, tuple[str, ...]], ...]


def oak(**fields: Any) -> PackSettings:
    """The settings of a pack."""
    return PackSettings("oak", **fields)


def bank(**fields: Any) -> BankSettings:
    """The settings of a bank of one pack."""
    return BankSettings([oak()], **fields)


DEFAULTS: tuple[tuple[Make, dict[str, object]], ...] = (
    (
        bank,
        {
            "own_packs": (),
            "cell_count": 16,
            "charge_voltage_ceiling_mv": 16 * 3_550,
            "discharge_voltage_floor_mv": 16 * 2_800,
            "charge_current_ceiling_ma": None,
            "discharge_current_ceiling_ma": None,
            "limp_voltage_mv": 16 * 3_320,
            "limp_low_voltage_mv": 16 * 3_100,
            "fresh_ms": 10_000,
            "unheard_ms": 30_000,
            "recovery_samples": 3,
            "frozen_ms": 300_000,
            "zero_current_ma": 1_000,
            "margin_permille": 30,
            "ramp_permille_per_s": 50,
            "voltage_ramp_mv_per_s": 100,
            "voltage_slope_mv_per_s": 100,
            "nominal_step_ms": 1_000,
            "settle_ms": 15_000,
            "path_settle_ms": 30_000,
            "reenable_ms": 30_000,
            "assumed_resistance_ratio": 4,
            "coherent_permille": 30,
            "coherent_ms": 10_000,
            "coherent_keep_ms": 120_000,
            "quiet_permille": 50,
            "local_refusal_stops_bank": False,
            "charge_sharing": "worst_case",
            "discharge_sharing": "worst_case",
            "charger_limits": "battery",
            "survive_pack_loss": "off",
        },
    ),
    (
        StageSettings,
        {
            "absorption_mv": None,
            "float_mv": None,
            "tolerance_mv": 150,
            "dwell_ms": 10_000,
            "absorption_mode": "timer",
            "absorption_ms": 30 * 60_000,
            "absorption_min_ms": 10 * 60_000,
            "absorption_max_ms": 4 * 3_600_000,
            "dip_ends_cycle_ms": 10 * 60_000,
            "tail_rate_permille": 50,
            "restart_after_ms": 24 * 3_600_000,
            "restart_below_soc_permille": None,
            "restart_below_mv": None,
            "restart_after_idle_ms": None,
            "restart_min_interval_ms": 3_600_000,
            "adjustable": (),
        },
    ),
    (
        oak,
        {
            "pack": "oak",
            "capacity_mah": None,
            "charge_current_ceiling_ma": None,
            "discharge_current_ceiling_ma": None,
            "unheard_charge_current_ma": 0,
            "unheard_discharge_current_ma": 0,
            "opens_path_on_refusal": False,
            "sensor_tolerance_permille": 0,
            "sensor_tolerance_ma": 0,
            "cell_ceiling_mv": 3_550,
            "cell_floor_mv": 2_700,
            "temperature_hysteresis_decic": 20,
            "charge_temperature_curve": ((0, 0), (150, 1_000), (450, 1_000), (550, 0)),
            "discharge_temperature_curve": ((-200, 0), (0, 1_000), (550, 1_000), (600, 0)),
            "charge_cell_curve": ((3_400, 1_000), (3_530, 0)),
            "discharge_cell_curve": ((2_700, 0), (2_900, 1_000)),
        },
    ),
)


def test_defaults_are_as_agreed() -> None:
    """Every setting has the default that the rules name, of that very type."""
    for make, agreed in DEFAULTS:
        settings = make()
        for name, value in agreed.items():
            got = getattr(settings, name)
            assert (name, got, type(got)) == (name, value, type(value))


def test_every_setting_has_its_default_here() -> None:
    """The constructors know these settings and no others."""
    assert vars(bank()).keys() == {*DEFAULTS[0][1], "packs", "stages"}
    assert vars(StageSettings()).keys() == DEFAULTS[1][1].keys()
    assert DEFAULTS[2][1].keys() == {"pack", *PACK_FIELDS}


@pytest.mark.parametrize(
    ("make", "table"), [(bank, BANK_INTS), (StageSettings, STAGE_INTS), (oak, PACK_INTS)]
)
def test_what_is_set_is_kept(make: Make, table: tuple[tuple[str, int, int, bool], ...]) -> None:
    """Every number that is not left to its default is taken as it is, one at a time."""
    for name, low, high, _ in table:
        value = min((getattr(make(), name) or low) + 1, high)
        assert getattr(make(**{name: value}), name) == value


def test_what_is_chosen_is_kept() -> None:
    """Every word of every choice, the one flag of a bank and of a pack, and the lists."""
    chosen: list[tuple[Make, Choices]] = [(bank, BANK_CHOICES), (StageSettings, STAGE_CHOICES)]
    for make, choices in chosen:
        for name, words in choices:
            assert [getattr(make(**{name: word}), name) for word in words] == [*words]
    assert [getattr(bank(**{name: True}), name) for name in BANK_FLAGS] == [True]
    assert [getattr(oak(**{name: True}), name) for name in PACK_FLAGS] == [True]
    for name in PACK_CURVES:
        assert getattr(oak(**{name: [[1, 2]]}), name) == ((1, 2),)
    assert bank(own_packs=["oak"]).own_packs == ["oak"]
    stages = StageSettings(adjustable=[("absorption_ms", 0, 5)])  # type: ignore[arg-type]  # a list will do
    assert stages.adjustable == (("absorption_ms", 0, 5),)
    assert bank(stages=stages).stages is stages


def test_defaults_scale_with_the_cell_count() -> None:
    """A bank of 8 cells gets half the voltages of one of 16."""
    eight = bank(cell_count=8)
    for name in (
        "charge_voltage_ceiling_mv",
        "discharge_voltage_floor_mv",
        "limp_voltage_mv",
        "limp_low_voltage_mv",
    ):
        assert 2 * getattr(eight, name) == getattr(bank(), name)
