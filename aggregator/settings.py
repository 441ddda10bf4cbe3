"""What the installer decides. Every number with its unit, range, default and trade-off.

The constructors raise `SettingsError` naming the field; after that nothing raises. Defaults are
common practice for LiFePO4, to be replaced by the installer from the makers' data. A default of
None for a voltage means so many millivolts a cell, times `cell_count`.
"""

from .errors import SettingsError
from .report import LONGEST_MS, bad_id

MOST_PACKS = 64
OFF = "off"

# Each row: name, lowest, highest, may be None. The comment is the documentation: unit, meaning |
# trade-off. Defaults stand in the constructors below.
PACK_INTS = (
    ("capacity_mah", 1_000, 2_000_000, True),  # mAh when new | null: only the reports tell
    # mA, the installer's maximum for this pack | null: the pack's own limit alone
    ("charge_current_ceiling_ma", 0, 1_000_000, True),
    # mA, likewise for discharge | lower: cooler joints, less power
    ("discharge_current_ceiling_ma", 0, 1_000_000, True),
    # mA the bank may still charge with while this pack is silent | 0: charging stops
    ("unheard_charge_current_ma", 0, 1_000_000, False),
    # mA the bank may still discharge with while this pack is silent | 0: discharge stops
    ("unheard_discharge_current_ma", 0, 1_000_000, False),
    # permille the pack's current sensor may be wrong by | larger: more of the limit kept back
    ("sensor_tolerance_permille", 0, 500, False),
    ("sensor_tolerance_ma", 0, 50_000, False),  # mA of offset its sensor may have | likewise
    ("cell_ceiling_mv", 3_300, 3_800, False),  # mV no cell should pass | lower: gentler, less full
    ("cell_floor_mv", 1_500, 3_200, False),  # mV no cell should fall below | higher: gentler
    # 0.1 °C a temperature must come back by before a derating eases | larger: fewer swings
    ("temperature_hysteresis_decic", 0, 200, False),
)

PACK_FLAGS = (
    # this BMS opens its charge (discharge) path when it refuses | true only if its maker says so
    "opens_path_on_refusal",
)

# Curves: ((x, permille), ...) with rising x; linear in between, the end values hold outside.
# An empty curve derates nothing, and what it would have read need not be reported.
PACK_CURVES = (
    "charge_temperature_curve",  # 0.1 °C -> permille of the charge limit
    "discharge_temperature_curve",  # 0.1 °C -> permille of the discharge limit
    "charge_cell_curve",  # mV of the highest cell -> permille of the charge limit
    "discharge_cell_curve",  # mV of the lowest cell -> permille of the discharge limit
)

PACK_FIELDS = tuple([row[0] for row in PACK_INTS]) + PACK_FLAGS + PACK_CURVES

STAGE_INTS = (
    # mV of the bank, target in bulk and absorption | higher: fuller and better balanced, more wear
    ("absorption_mv", 10_000, 120_000, True),
    ("float_mv", 10_000, 120_000, True),  # mV of the bank, target in float | lower: cells rest
    # mV below the target that still counts as held | larger: starts and counts earlier
    ("tolerance_mv", 0, 2_000, False),
    ("dwell_ms", 0, 600_000, False),  # ms a condition must last before it counts | noise, delay
    ("absorption_ms", 0, LONGEST_MS, False),  # ms of held voltage in mode timer | balancing time
    # ms of held voltage at least, in mode until_full | a floor for balancing
    ("absorption_min_ms", 0, LONGEST_MS, False),
    # ms of wall time since absorption began, at most | ends a day that never gets there
    ("absorption_max_ms", 60_000, LONGEST_MS, False),
    # ms a dip may last; a longer one goes back to bulk | shorter: more new cycles on cloudy days
    ("dip_ends_cycle_ms", 0, LONGEST_MS, False),
    # permille of a pack's capacity an hour that its tail current must fall to | smaller: fuller
    ("tail_rate_permille", 1, 500, False),
    # ms in float before bulk starts again | null: never for this reason
    ("restart_after_ms", 60_000, LONGEST_MS, True),
    ("restart_below_soc_permille", 0, 1_000, True),  # permille of charge | null: never
    ("restart_below_mv", 10_000, 120_000, True),  # mV of the bank, for the dwell | null: never
    # ms without charging, in float, before bulk starts again (the night) | null: never
    ("restart_after_idle_ms", 60_000, LONGEST_MS, True),
    ("restart_min_interval_ms", 0, LONGEST_MS, False),  # ms between two starts, at least
)

BANK_INTS = (
    ("cell_count", 4, 32, False),  # cells in series, the same in every pack
    ("charge_voltage_ceiling_mv", 10_000, 120_000, True),  # mV the bank never asks beyond
    ("discharge_voltage_floor_mv", 5_000, 120_000, True),  # mV the bank never asks below
    ("charge_current_ceiling_ma", 0, 32_000_000, True),  # mA of the whole bank | null: none
    ("discharge_current_ceiling_ma", 0, 32_000_000, True),  # mA of the whole bank | null: none
    # mV at which a full pack takes next to nothing | charge voltage while a pack is silent
    ("limp_voltage_mv", 10_000, 120_000, True),
    # mV at which an empty pack gives next to nothing | discharge voltage while a pack is silent
    ("limp_low_voltage_mv", 5_000, 120_000, True),
    # ms after which a reading is late and no limit rises | at least three report periods
    ("fresh_ms", 500, 600_000, False),
    # ms after which a pack is unheard and its grant binds | shorter: stops sooner, and oftener
    ("unheard_ms", 1_000, LONGEST_MS, False),
    ("recovery_samples", 1, 100, False),  # fresh readings before an unheard pack counts again
    # ms a reading may stand still while other packs' current moves | shorter: false alarms
    ("frozen_ms", 10_000, LONGEST_MS, False),
    ("zero_current_ma", 100, 20_000, False),  # mA taken for no current | above the sensors' offset
    # permille kept back from every pack's limit for what the loop overshoots | larger: less power
    ("margin_permille", 0, 500, False),
    # permille of the summed pack ceilings a current limit may rise in a second | slower: gentler
    ("ramp_permille_per_s", 1, 1_000, False),
    ("voltage_ramp_mv_per_s", 1, 10_000, False),  # mV a second a voltage limit may rise
    # mV a second an unhurried voltage target may fall | some chargers trip on a sudden fall
    ("voltage_slope_mv_per_s", 1, 10_000, False),
    ("nominal_step_ms", 10, 60_000, False),  # ms between steps; one call never ramps further
    ("settle_ms", 0, 600_000, False),  # ms without a rise after a pack was above its limit
    ("path_settle_ms", 0, 600_000, False),  # ms without a rise after a path opened or closed
    ("reenable_ms", 0, 3_600_000, False),  # ms a permission waits after the last denial cleared
    # the largest pack resistance is at most this many times the smallest | larger: more cautious
    ("assumed_resistance_ratio", 1, 20, False),
    # permille of the summed ceilings the total may move within coherent_ms | larger: less exact
    ("coherent_permille", 0, 200, False),
    ("coherent_ms", 1_000, 600_000, False),  # ms the total must have stood still
    ("coherent_keep_ms", 0, 3_600_000, False),  # ms a steady reading is used for
    ("quiet_permille", 0, 200, False),  # permille of the summed ceilings taken for no total
)

BANK_FLAGS = (
    "local_refusal_stops_bank",  # a refusal by one of own_packs stops that direction for all
)

# Choices: name, the words allowed (the first is the default).
STAGE_CHOICES = (
    ("absorption_mode", ("timer", "until_full")),  # what ends absorption
)
BANK_CHOICES = (
    ("charge_sharing", ("worst_case", "learned")),  # how extra charge current may split
    ("discharge_sharing", ("worst_case", "learned")),  # how extra discharge current may split
    ("charger_limits", ("battery", "output")),  # what the chargers hold at the limit
    ("survive_pack_loss", ("off", "strict")),  # keep room for the loss of any one pack
)

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
        _check_ints(self, PACK_INTS)
        _check_flags(self, PACK_FLAGS)
        for name in fields:
            if name in PACK_CURVES:
                setattr(self, name, _curve(name, getattr(self, name)))


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
        self.adjustable = _adjustable(adjustable)
        _check_ints(self, STAGE_INTS)
        _check_choices(self, STAGE_CHOICES)
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
        _check_ints(self, BANK_INTS)
        _check_flags(self, BANK_FLAGS)
        _check_choices(self, BANK_CHOICES)
        _check_bank(self)


def _check_ints(record: object, table: tuple[tuple[str, int, int, bool], ...]) -> None:
    for name, low, high, optional in table:
        value = getattr(record, name)
        if value is None and optional:
            continue
        if type(value) is not int or value < low or value > high:
            expected = str(low) + ".." + str(high) + (" or null" if optional else "")
            raise SettingsError(name, expected, value)


def _check_flags(record: object, names: tuple[str, ...]) -> None:
    for name in names:
        value = getattr(record, name)
        if value is not True and value is not False:
            raise SettingsError(name, "true or false", value)


def _check_choices(record: object, table: tuple[tuple[str, tuple[str, ...]], ...]) -> None:
    for name, words in table:
        value = getattr(record, name)
        if type(value) is not str or value not in words:
            raise SettingsError(name, " or ".join(words), value)


def _rows(name: str, value: object, width: int, expected: str) -> list[tuple[object, ...]]:
    """Return a list of rows of `width` elements each, or raise SettingsError."""
    if not isinstance(value, (list, tuple)):
        raise SettingsError(name, expected, value)
    rows = []
    for row in value:
        if not isinstance(row, (list, tuple)) or len(row) != width:
            raise SettingsError(name, expected, row)
        rows.append(tuple(row))
    return rows


def _curve(name: str, value: object) -> tuple[tuple[int, int], ...]:
    expected = "pairs (x, permille 0..1000) with rising x"
    points: list[tuple[int, int]] = []
    for x, permille in _rows(name, value, 2, expected):
        if type(x) is not int or x < -1_000 or x > 10_000:
            raise SettingsError(name, expected, x)
        if type(permille) is not int or permille < 0 or permille > 1_000:
            raise SettingsError(name, expected, permille)
        if points and points[-1][0] >= x:
            raise SettingsError(name, expected, x)
        points.append((x, permille))
    return tuple(points)


def _adjustable(value: object) -> tuple[tuple[str, int, int], ...]:
    expected = "rows (stage field, lowest, highest)"
    rows = []
    for field, low, high in _rows("adjustable", value, 3, expected):
        if not isinstance(field, str) or type(low) is not int or type(high) is not int:
            raise SettingsError("adjustable", expected, field)
        for name, least, most, _ in STAGE_INTS:
            if name == field and least <= low <= high <= most:
                break
        else:
            raise SettingsError("adjustable", "a stage field and bounds within its range", field)
        rows.append((field, low, high))
    return tuple(rows)


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


def per_cell(value: int | None, cell_mv: int, cell_count: int) -> int:
    """Return `value`, or `cell_mv` for each cell where the installer left it open."""
    return cell_mv * cell_count if value is None and type(cell_count) is int else value  # type: ignore[return-value]  # checked right after


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
