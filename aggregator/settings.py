"""What the installer decides. Every number with its unit, range, default and trade-off.

The constructors raise `SettingsError` naming the field; after that nothing raises. Defaults are
common practice for LiFePO4, to be replaced by the installer from the makers' data. A default of
None for a voltage means so many millivolts a cell, times `cell_count`. Ranges: ranges.py.
"""

from .checks import (
    adjustable_rows,
    check_choices,
    check_flags,
    check_ints,
    curve_points,
    per_cell,
)
from .errors import SettingsError
from .ranges import (
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
from .report import bad_id

MOST_PACKS = 64
OFF = "off"

# The daily charge's targets where StageSettings leaves them open, mV a cell.
ABSORPTION_CELL_MV = 3_450
FLOAT_CELL_MV = 3_350

CHARGE_TEMPERATURES = ((0, 0), (150, 1_000), (450, 1_000), (550, 0))
DISCHARGE_TEMPERATURES = ((-200, 0), (0, 1_000), (550, 1_000), (600, 0))
CHARGE_CELLS = ((3_400, 1_000), (3_530, 0))
DISCHARGE_CELLS = ((2_700, 0), (2_900, 1_000))


class PackSettings:
    """One pack as the installer knows it. `pack`: its name, 1..16 of a-z 0-9 -.

    Fields, units and ranges: the tables PACK_INTS, PACK_FLAGS and PACK_CURVES. Raises
    SettingsError. Source of the defaults: common practice, no source.
    """

    # The defaults stand in the class; a pack keeps only what differs, to save memory on a board.
    capacity_mah: int | None = None
    charge_current_ceiling_ma: int | None = None
    discharge_current_ceiling_ma: int | None = None
    unheard_charge_current_ma = 0
    unheard_discharge_current_ma = 0
    opens_path_on_refusal = False
    sensor_tolerance_permille = 0
    sensor_tolerance_ma = 0
    cell_ceiling_mv = 3_550
    cell_floor_mv = 2_700
    temperature_hysteresis_decic = 20
    charge_temperature_curve: tuple[tuple[int, int], ...] = CHARGE_TEMPERATURES
    discharge_temperature_curve: tuple[tuple[int, int], ...] = DISCHARGE_TEMPERATURES
    charge_cell_curve: tuple[tuple[int, int], ...] = CHARGE_CELLS
    discharge_cell_curve: tuple[tuple[int, int], ...] = DISCHARGE_CELLS

    def __init__(self, pack: str, **fields: object) -> None:
        refusal = bad_id(pack)
        if refusal is not None:
            raise SettingsError("pack", refusal.expected, pack)
        self.pack = pack
        for name in fields:
            if name not in PACK_FIELDS:
                raise SettingsError(name, "a setting of a pack", fields[name])
            value = fields[name]
            default = getattr(self, name)
            if type(value) is not type(default) or value != default:
                setattr(self, name, value)
        check_ints(self, PACK_INTS)
        check_flags(self, PACK_FLAGS)
        for name in fields:
            if name in PACK_CURVES:
                setattr(self, name, curve_points(name, getattr(self, name)))


class StageSettings:
    """The daily charge. Fields, units and ranges: STAGE_INTS and STAGE_CHOICES.

    `adjustable`: ((field, lowest, highest), ...), the fields of STAGE_INTS that the owner may
    change with `adjust_stage`, and how far; empty: none. Raises SettingsError.
    Source of the defaults: common practice, no source.
    """

    def __init__(
        self,
        *,
        absorption_mv: int | None = None,
        float_mv: int | None = None,
        tolerance_mv: int = 150,
        dwell_ms: int = 10_000,
        absorption_mode: str = "timer",
        absorption_ms: int = 1_800_000,
        absorption_min_ms: int = 600_000,
        absorption_max_ms: int = 14_400_000,
        dip_ends_cycle_ms: int = 600_000,
        tail_rate_permille: int = 50,
        restart_after_ms: int | None = 86_400_000,
        restart_below_soc_permille: int | None = None,
        restart_below_mv: int | None = None,
        restart_after_idle_ms: int | None = None,
        restart_min_interval_ms: int = 3_600_000,
        adjustable: tuple[tuple[str, int, int], ...] = (),
    ) -> None:
        self.absorption_mv = absorption_mv
        self.float_mv = float_mv
        self.tolerance_mv = tolerance_mv
        self.dwell_ms = dwell_ms
        self.absorption_mode = absorption_mode
        self.absorption_ms = absorption_ms
        self.absorption_min_ms = absorption_min_ms
        self.absorption_max_ms = absorption_max_ms
        self.dip_ends_cycle_ms = dip_ends_cycle_ms
        self.tail_rate_permille = tail_rate_permille
        self.restart_after_ms = restart_after_ms
        self.restart_below_soc_permille = restart_below_soc_permille
        self.restart_below_mv = restart_below_mv
        self.restart_after_idle_ms = restart_after_idle_ms
        self.restart_min_interval_ms = restart_min_interval_ms
        self.adjustable = adjustable_rows(adjustable)
        check_ints(self, STAGE_INTS)
        check_choices(self, STAGE_CHOICES)
        if absorption_min_ms > absorption_max_ms:
            raise SettingsError("absorption_min_ms", "at most absorption_max_ms", absorption_min_ms)


class BankSettings:
    """The whole bank. `packs`: 1..64 PackSettings; `stages`: StageSettings; `own_packs`: names of
    the packs wired to this very board. Fields, units and ranges: BANK_INTS, BANK_FLAGS and
    BANK_CHOICES. Raises SettingsError. Source of the defaults: common practice, no source.
    """

    def __init__(
        self,
        packs: list[PackSettings] | tuple[PackSettings, ...],
        *,
        stages: StageSettings | None = None,
        own_packs: list[str] | tuple[str, ...] = (),
        cell_count: int = 16,
        charge_voltage_ceiling_mv: int | None = None,
        discharge_voltage_floor_mv: int | None = None,
        charge_current_ceiling_ma: int | None = None,
        discharge_current_ceiling_ma: int | None = None,
        limp_voltage_mv: int | None = None,
        limp_low_voltage_mv: int | None = None,
        fresh_ms: int = 10_000,
        unheard_ms: int = 30_000,
        recovery_samples: int = 3,
        frozen_ms: int = 300_000,
        zero_current_ma: int = 1_000,
        margin_permille: int = 30,
        ramp_permille_per_s: int = 50,
        voltage_ramp_mv_per_s: int = 100,
        voltage_slope_mv_per_s: int = 100,
        nominal_step_ms: int = 1_000,
        settle_ms: int = 15_000,
        path_settle_ms: int = 30_000,
        reenable_ms: int = 30_000,
        assumed_resistance_ratio: int = 4,
        coherent_permille: int = 30,
        coherent_ms: int = 10_000,
        coherent_keep_ms: int = 120_000,
        quiet_permille: int = 50,
        local_refusal_stops_bank: bool = False,
        charge_sharing: str = "worst_case",
        discharge_sharing: str = "worst_case",
        charger_limits: str = "battery",
        survive_pack_loss: str = OFF,
    ) -> None:
        self.packs = _packs(packs)
        self.stages = StageSettings() if stages is None else stages
        self.own_packs = own_packs
        self.cell_count = cell_count
        self.charge_voltage_ceiling_mv = per_cell(charge_voltage_ceiling_mv, 3_550, cell_count)
        self.discharge_voltage_floor_mv = per_cell(discharge_voltage_floor_mv, 2_800, cell_count)
        self.charge_current_ceiling_ma = charge_current_ceiling_ma
        self.discharge_current_ceiling_ma = discharge_current_ceiling_ma
        self.limp_voltage_mv = per_cell(limp_voltage_mv, 3_320, cell_count)
        self.limp_low_voltage_mv = per_cell(limp_low_voltage_mv, 3_100, cell_count)
        self.fresh_ms = fresh_ms
        self.unheard_ms = unheard_ms
        self.recovery_samples = recovery_samples
        self.frozen_ms = frozen_ms
        self.zero_current_ma = zero_current_ma
        self.margin_permille = margin_permille
        self.ramp_permille_per_s = ramp_permille_per_s
        self.voltage_ramp_mv_per_s = voltage_ramp_mv_per_s
        self.voltage_slope_mv_per_s = voltage_slope_mv_per_s
        self.nominal_step_ms = nominal_step_ms
        self.settle_ms = settle_ms
        self.path_settle_ms = path_settle_ms
        self.reenable_ms = reenable_ms
        self.assumed_resistance_ratio = assumed_resistance_ratio
        self.coherent_permille = coherent_permille
        self.coherent_ms = coherent_ms
        self.coherent_keep_ms = coherent_keep_ms
        self.quiet_permille = quiet_permille
        self.local_refusal_stops_bank = local_refusal_stops_bank
        self.charge_sharing = charge_sharing
        self.discharge_sharing = discharge_sharing
        self.charger_limits = charger_limits
        self.survive_pack_loss = survive_pack_loss
        check_ints(self, BANK_INTS)
        check_flags(self, BANK_FLAGS)
        check_choices(self, BANK_CHOICES)
        _check_bank(self)


def _check_bank(bank: BankSettings) -> None:
    """Settings that contradict each other."""
    if bank.fresh_ms >= bank.unheard_ms:
        raise SettingsError("fresh_ms", "less than unheard_ms", bank.fresh_ms)
    if bank.coherent_ms > bank.coherent_keep_ms:
        raise SettingsError("coherent_keep_ms", "at least coherent_ms", bank.coherent_keep_ms)
    stages = bank.stages
    if not isinstance(stages, StageSettings):
        raise SettingsError("stages", "StageSettings", stages)
    absorption_mv = per_cell(stages.absorption_mv, ABSORPTION_CELL_MV, bank.cell_count)
    float_mv = per_cell(stages.float_mv, FLOAT_CELL_MV, bank.cell_count)
    for lower, upper, low, high in (
        ("float_mv", "absorption_mv", float_mv, absorption_mv),
        ("limp_low_voltage_mv", "limp_voltage_mv", bank.limp_low_voltage_mv, bank.limp_voltage_mv),
        (
            "discharge_voltage_floor_mv",
            "charge_voltage_ceiling_mv",
            bank.discharge_voltage_floor_mv,
            bank.charge_voltage_ceiling_mv,
        ),
    ):
        if low >= high:
            raise SettingsError(lower, "below " + upper + " (" + str(high) + ")", low)
    if not isinstance(bank.own_packs, (list, tuple)):
        raise SettingsError("own_packs", "a list of pack names", bank.own_packs)
    names = [settings.pack for settings in bank.packs]
    for name in bank.own_packs:
        if name not in names:
            raise SettingsError("own_packs", "names of packs", name)


def _packs(packs: object) -> list[PackSettings]:
    expected = "1..64 packs"
    if not isinstance(packs, (list, tuple)) or not 0 < len(packs) <= MOST_PACKS:
        got = len(packs) if isinstance(packs, (list, tuple)) else packs
        raise SettingsError("packs", expected, got)
    names: list[str] = []
    for settings in packs:
        if not isinstance(settings, PackSettings):
            raise SettingsError("packs", "PackSettings", settings)
        if settings.pack in names:
            raise SettingsError("packs", "every name once", settings.pack)
        names.append(settings.pack)
    return list(packs)
