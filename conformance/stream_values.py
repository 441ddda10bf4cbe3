"""What random streams are made of: unusual packs, odd values, settings good and bad. Invented."""

from collections.abc import Sequence
from random import Random
from typing import Protocol


class Named(Protocol):
    """A pack of a stream."""

    name: str


# What may come over a pack: the fields it then says differently; None: it no longer says them.
MOODS: tuple[dict[str, object], ...] = (
    {"charge_allowed": False},
    {"charge_allowed": False, "charge_path_closed": None},
    {"charge_allowed": False, "charge_path_closed": False},
    {"charge_path_closed": False},
    {"discharge_allowed": False},
    {"discharge_allowed": False, "discharge_path_closed": False},
    {"charge_allowed": None, "charge_path_closed": None, "discharge_path_closed": None},
    {"current_ma": None},
    {"current_ma": 140_000},
    {"current_ma": -140_000},
    {"voltage_mv": None},
    {"charge_current_limit_ma": None},
    {"charge_current_limit_ma": 0},
    {"charge_current_limit_ma": 7_777},
    {"discharge_current_limit_ma": 3_333},
    {"charge_voltage_limit_mv": 53_111},
    {"charge_voltage_limit_mv": None, "discharge_voltage_limit_mv": None},
    {"discharge_voltage_limit_mv": 50_505},
    {"temperature_min_decic": -50},
    {"temperature_min_decic": 55},
    {"temperature_max_decic": 512},
    {"temperature_min_decic": None, "temperature_max_decic": None},
    {"cell_max_mv": 3_476},
    {"cell_max_mv": 3_560},
    {"cell_min_mv": 2_790},
    {"cell_min_mv": None, "cell_max_mv": None},
    {"soc_permille": None},
    {"soc_permille": 210},
    {"soc_permille": 1_000, "capacity_mah": None},
    {"soh_permille": 700},
    {"warnings": ["cell_imbalance", "other"], "balancing": True},
    {"protections": ["short_circuit", "board_over_temperature", "charge_over_current"]},
)

# What the owner may ask.
REQUESTS: tuple[tuple[str, dict[str, object]], ...] = (
    ("withhold_pack", {"pack": "ash"}),
    ("cap_charge_current", {"value": 20_000}),
    ("cap_charge_current", {"value": 0, "lasts_ms": 20_000}),
    ("cap_discharge_current", {"value": 5_000, "lasts_ms": 60_000}),
    ("cap_charge_voltage", {"value": 52_000, "lasts_ms": 300_000}),
    ("stop_charge", {}),
    ("stop_discharge", {"source": "phone"}),
    ("top_soc_permille", {"value": 700}),
    ("reserve_soc_permille", {"value": 850, "lasts_ms": 100_000}),
    ("full_charge_every_days", {"value": 1}),
    ("restore_pack", {"pack": "ash"}),
    ("clear", {"field": "stop_charge"}),
    ("clear", {"field": "stop_discharge", "source": "phone"}),
    ("clear", {"field": "top_soc_permille"}),
    ("clear", {"field": "cap_charge_current"}),
    ("start_bulk", {}),
    ("adjust_stage", {"field": "absorption_ms", "value": 20_000}),
    ("adjust_stage", {"field": "float_mv", "value": 53_000}),
    ("declare_removed", {"pack": "ash"}),
    ("declare_removed", {"pack": "birch"}),
    ("declare_returned", {"pack": "birch"}),
)

# Every type that JSON knows, at the edges of what interpreters treat alike.
ODD_VALUES: tuple[object, ...] = (
    *(None, True, False, 0, 1, -1, 7, 255, 1_001, 65_535, 65_536, -32_000),
    *((1 << 29) - 1, 1 << 29, (1 << 30) - 1, 1 << 30, -(1 << 30), -(1 << 30) - 1),
    *(1 << 31, (1 << 62) - 1, 1 << 62, -(1 << 62), 1 << 63, -(1 << 64), 1 << 70, 10**30),
    *(0.0, 1.0, -0.5, 1e9, 1e300),
    *(
        "",
        "ash",
        "Ash",
        "a b",
        "live",
        "x" * 40,
        "x" * 41,
        "\u00e4\u00f6",
        "\U0001f50b",
        "\t",
        '"\\',
    ),
    *([], [1], [3_300] * 16, [3_300] * 15 + [None], ["other"], ["no such alarm"], [[]], [0.5]),
    *({}, {"a": 1}, {"b": {"c": [None, True, {}]}}),
)

# Settings: name and choices; each is left at its default more often than not.
BANK: tuple[tuple[str, tuple[object, ...]], ...] = (
    ("charge_current_ceiling_ma", (0, 60_000, 250_000)),
    ("discharge_current_ceiling_ma", (90_000,)),
    ("fresh_ms", (2_000, 60_000)),
    ("unheard_ms", (90_000, 400_000)),
    ("recovery_samples", (1, 5)),
    ("frozen_ms", (10_000, 60_000)),
    ("margin_permille", (0, 100)),
    ("ramp_permille_per_s", (1, 7, 1_000)),
    ("voltage_ramp_mv_per_s", (1, 10_000)),
    ("nominal_step_ms", (100, 10_000)),
    ("settle_ms", (0, 60_000)),
    ("path_settle_ms", (0,)),
    ("reenable_ms", (0, 2_000)),
    ("assumed_resistance_ratio", (1, 20)),
    ("coherent_permille", (200,)),
    ("quiet_permille", (0, 200)),
    ("local_refusal_stops_bank", (True,)),
    ("charge_sharing", ("learned",)),
    ("discharge_sharing", ("learned",)),
    ("charger_limits", ("output",)),
    ("survive_pack_loss", ("strict",)),
)
PACK: tuple[tuple[str, tuple[object, ...]], ...] = (
    ("capacity_mah", (100_000, 280_000)),
    ("charge_current_ceiling_ma", (40_000, 120_000)),
    ("discharge_current_ceiling_ma", (80_000,)),
    ("unheard_charge_current_ma", (10_000, 50_000)),
    ("unheard_discharge_current_ma", (10_000,)),
    ("opens_path_on_refusal", (True,)),
    ("sensor_tolerance_permille", (50,)),
    ("sensor_tolerance_ma", (1_500,)),
    ("temperature_hysteresis_decic", (0, 100)),
    ("charge_temperature_curve", ([], [[0, 0], [100, 1_000]], [[-100, 7], [3, 333], [501, 0]])),
    ("charge_cell_curve", ([],)),
)
STAGE: tuple[tuple[str, tuple[object, ...]], ...] = (
    ("dwell_ms", (0, 2_000)),
    ("absorption_mode", ("until_full",)),
    ("absorption_ms", (5_000, 60_000)),
    ("absorption_min_ms", (0, 30_000)),
    ("absorption_max_ms", (600_000,)),
    ("dip_ends_cycle_ms", (5_000,)),
    ("tail_rate_permille", (500,)),
    ("restart_after_ms", (None, 60_000, 600_000)),
    ("restart_below_soc_permille", (300, 700)),
    ("restart_below_mv", (52_900,)),
    ("restart_after_idle_ms", (60_000,)),
    ("restart_min_interval_ms", (0, 10_000)),
    ("adjustable", ([["absorption_ms", 0, 100_000], ["float_mv", 52_000, 54_000]],)),
)


def _some(
    random: Random, table: tuple[tuple[str, tuple[object, ...]], ...], part: float
) -> dict[str, object]:
    return {name: random.choice(choices) for name, choices in table if random.random() < part}


def settings_for(random: Random, packs: Sequence[Named], cell_count: int) -> dict[str, object]:
    """Return settings for these packs; now and then they contradict each other."""
    settings = _some(random, BANK, 0.15)
    settings["packs"] = [{"pack": pack.name, **_some(random, PACK, 0.15)} for pack in packs]
    settings["cell_count"] = cell_count
    if random.random() < 0.6:
        settings["stages"] = _some(random, STAGE, 0.4)
    if "local_refusal_stops_bank" in settings or random.random() < 0.1:
        settings["own_packs"] = [packs[0].name]
    return settings


def odd_settings(random: Random, packs: Sequence[Named]) -> dict[str, object]:
    """Return settings with something odd in one place."""
    settings = settings_for(random, packs, 16)
    place = random.choice(("bank", "pack", "stage", "packs", "stages", "own_packs", "no_such_key"))
    odd = random.choice(ODD_VALUES)
    if place == "bank":
        settings[random.choice(BANK)[0]] = odd
    elif place == "pack":
        settings["packs"] = [{"pack": packs[0].name, random.choice(PACK)[0]: odd}]
    elif place == "stage":
        settings["stages"] = {random.choice(STAGE)[0]: odd}
    else:
        settings[place] = odd
    return settings
