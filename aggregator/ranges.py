"""What each setting may be: the tables behind settings.py, and behind its reference page."""

from .report import LONGEST_MS

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
