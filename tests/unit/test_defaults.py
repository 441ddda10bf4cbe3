"""The defaults are those that the rules name, and fit any number of cells."""

from aggregator import BankSettings, PackSettings, StageSettings

BANK = BankSettings([PackSettings("oak")])
DEFAULTS: tuple[tuple[object, dict[str, object]], ...] = (
    (
        BANK,
        {
            "fresh_ms": 10_000,
            "unheard_ms": 30_000,
            "recovery_samples": 3,
            "ramp_permille_per_s": 50,
            "margin_permille": 30,
            "zero_current_ma": 1_000,
            "settle_ms": 15_000,
            "path_settle_ms": 30_000,
            "reenable_ms": 30_000,
            "assumed_resistance_ratio": 4,
            "coherent_permille": 30,
            "coherent_ms": 10_000,
            "coherent_keep_ms": 120_000,
            "quiet_permille": 50,
            "limp_voltage_mv": 16 * 3_320,
            "charge_sharing": "worst_case",
            "charger_limits": "battery",
            "survive_pack_loss": "off",
        },
    ),
    (
        StageSettings(),
        {
            "absorption_mode": "timer",
            "absorption_ms": 30 * 60_000,
            "restart_after_ms": 24 * 3_600_000,
            "tail_rate_permille": 50,
        },
    ),
    (
        BANK.packs[0],
        {
            "cell_ceiling_mv": 3_550,
            "charge_cell_curve": ((3_400, 1_000), (3_530, 0)),
            "charge_temperature_curve": ((0, 0), (150, 1_000), (450, 1_000), (550, 0)),
            "discharge_temperature_curve": ((-200, 0), (0, 1_000), (550, 1_000), (600, 0)),
            "temperature_hysteresis_decic": 20,
            "sensor_tolerance_permille": 0,
            "sensor_tolerance_ma": 0,
            "unheard_charge_current_ma": 0,
            "unheard_discharge_current_ma": 0,
            "opens_path_on_refusal": False,
        },
    ),
)


def test_defaults_are_as_agreed() -> None:
    """What the rules name as a default is the default."""
    for settings, agreed in DEFAULTS:
        for name, value in agreed.items():
            assert getattr(settings, name) == value, name


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
