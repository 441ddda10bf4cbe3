"""The defaults are those that the rules name, and fit any number of cells."""

from typing import Any

from aggregator import BankSettings, PackSettings, StageSettings
from aggregator.ranges import (
    BANK_CHOICES,
    BANK_INTS,
    PACK_FIELDS,
    PACK_INTS,
    STAGE_CHOICES,
    STAGE_INTS,
)

BANK = BankSettings([PackSettings("oak")])
DEFAULTS: tuple[tuple[object, dict[str, object]], ...] = (
    (
        BANK,
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
        BANK.stages,
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
        BANK.packs[0],
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
    for settings, agreed in DEFAULTS:
        for name, value in agreed.items():
            got = getattr(settings, name)
            assert (name, got, type(got)) == (name, value, type(value))


def test_every_setting_has_its_default_here() -> None:
    """The constructors know these settings and no others."""
    for settings, agreed in DEFAULTS[:2]:
        named = {*agreed, "packs", "stages"} if settings is BANK else {*agreed}
        assert vars(settings).keys() == named
    assert DEFAULTS[2][1].keys() == {"pack", *PACK_FIELDS}


def test_what_is_set_is_kept() -> None:
    """Every setting that is not left to its default is taken as it is, one at a time."""
    rows = [(BANK, BANK_INTS), (BANK.stages, STAGE_INTS), (BANK.packs[0], PACK_INTS)]
    for settings, table in rows:
        for name, low, high, _ in table:
            value = (getattr(settings, name) or low) + 1
            made = made_with(settings, name, min(value, high))
            assert getattr(made, name) == min(value, high)
    for settings, choices in ((BANK, BANK_CHOICES), (BANK.stages, STAGE_CHOICES)):
        for name, words in choices:
            assert [getattr(made_with(settings, name, word), name) for word in words] == [*words]
    assert made_with(BANK, "local_refusal_stops_bank", True).local_refusal_stops_bank is True
    assert made_with(BANK, "own_packs", ["oak"]).own_packs == ["oak"]


def made_with(settings: object, name: str, value: object) -> Any:
    """The same settings with one of them as told."""
    fields: dict[str, Any] = {name: value}
    if isinstance(settings, BankSettings):
        return BankSettings(settings.packs, **fields)
    if isinstance(settings, PackSettings):
        return PackSettings("oak", **fields)
    return StageSettings(**fields)


def test_defaults_scale_with_the_cell_count() -> None:
    """A bank of 8 cells gets half the voltages of one of 16."""
    eight = BankSettings([PackSettings("oak")], cell_count=8)
    for name in (
        "charge_voltage_ceiling_mv",
        "discharge_voltage_floor_mv",
        "limp_voltage_mv",
        "limp_low_voltage_mv",
    ):
        assert 2 * getattr(eight, name) == getattr(BANK, name)
