"""What can be true: settings with their defaults, reports, requests."""

from typing import Any

NUMBERS = {
    "sample": (0, 65_535),
    "age_ms": (0, 432_000_000),
    "voltage_mv": (0, 150_000),
    "current_ma": (-1_000_000, 1_000_000),
    "soc_permille": (0, 1_000),
    "soh_permille": (0, 1_000),
    "capacity_mah": (1, 2_000_000),
    "cell_count": (1, 32),
}
for _name in ("charge", "discharge"):
    NUMBERS[_name + "_voltage_limit_mv"] = (0, 150_000)
    NUMBERS[_name + "_current_limit_ma"] = (0, 1_000_000)
for _name in ("min", "max"):
    NUMBERS[f"cell_{_name}_mv"] = (0, 5_000)
    NUMBERS[f"cell_{_name}_no"] = (1, 255)
    NUMBERS[f"temperature_{_name}_decic"] = (-500, 1_500)
FLAGS = (
    "charge_allowed",
    "charge_path_closed",
    "discharge_allowed",
    "discharge_path_closed",
    "balancing",
)
LISTS = {
    "cells_mv": ("cell_min_mv", "cell_max_mv"),
    "temperatures_decic": ("temperature_min_decic", "temperature_max_decic"),
}
ALARMS = """board_over_temperature cell_imbalance cell_over_voltage cell_under_voltage
    charge_over_current charge_over_temperature charge_under_temperature discharge_over_current
    discharge_over_temperature discharge_under_temperature internal_fault other pack_over_voltage
    pack_under_voltage short_circuit""".split()  # fmt: skip  # noqa: SIM905
PACK: dict[str, Any] = {
    **dict.fromkeys(("capacity_mah", "charge_current_ceiling_ma", "discharge_current_ceiling_ma")),
    **dict.fromkeys(("unheard_charge_current_ma", "unheard_discharge_current_ma"), 0),
    **dict.fromkeys(("sensor_tolerance_permille", "sensor_tolerance_ma"), 0),
    "opens_path_on_refusal": False,
    "cell_ceiling_mv": 3_550,
    "cell_floor_mv": 2_700,
    "temperature_hysteresis_decic": 20,
    "charge_temperature_curve": [[0, 0], [150, 1_000], [450, 1_000], [550, 0]],
    "discharge_temperature_curve": [[-200, 0], [0, 1_000], [550, 1_000], [600, 0]],
    "charge_cell_curve": [[3_400, 1_000], [3_530, 0]],
    "discharge_cell_curve": [[2_700, 0], [2_900, 1_000]],
}
STAGES: dict[str, Any] = {
    **dict.fromkeys(("absorption_mv", "float_mv", "restart_below_soc_permille")),
    **dict.fromkeys(("restart_below_mv", "restart_after_idle_ms")),
    "tolerance_mv": 150,
    "dwell_ms": 10_000,
    "absorption_mode": "timer",
    "adjustable": [],
    "absorption_ms": 1_800_000,
    "absorption_min_ms": 600_000,
    "tail_rate_permille": 50,
    "absorption_max_ms": 14_400_000,
    "dip_ends_cycle_ms": 600_000,
    "restart_after_ms": 86_400_000,
    "restart_min_interval_ms": 3_600_000,
}
BANK: dict[str, Any] = {
    **dict.fromkeys(("charge_current_ceiling_ma", "discharge_current_ceiling_ma")),
    **dict.fromkeys(("charge_voltage_ceiling_mv", "discharge_voltage_floor_mv")),
    **dict.fromkeys(("limp_voltage_mv", "limp_low_voltage_mv", "stages")),
    "packs": [],
    "own_packs": [],
    "cell_count": 16,
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
    "quiet_permille": 50,
    "assumed_resistance_ratio": 4,
    "coherent_permille": 30,
    "coherent_ms": 10_000,
    "coherent_keep_ms": 120_000,
    "local_refusal_stops_bank": False,
    "charger_limits": "battery",
    "charge_sharing": "worst_case",
    "discharge_sharing": "worst_case",
    "survive_pack_loss": "off",
}
PER_CELL = {
    "charge_voltage_ceiling_mv": 3_550,
    "discharge_voltage_floor_mv": 2_800,
    "limp_voltage_mv": 3_320,
    "limp_low_voltage_mv": 3_100,
}
# kind of wish: needs a pack, lowest and highest value, may run out
WISHES: dict[str, tuple[bool, tuple[int, int] | None, bool]] = {
    "withhold_pack": (True, None, True),
    "cap_charge_current": (False, (0, 32_000_000), True),
    "cap_discharge_current": (False, (0, 32_000_000), True),
    "cap_charge_voltage": (False, (10_000, 120_000), True),
    "top_soc_permille": (False, (0, 1_000), True),
    "reserve_soc_permille": (False, (0, 1_000), True),
    "full_charge_every_days": (False, (1, 365), True),
    "stop_charge": (False, None, False),
    "stop_discharge": (False, None, False),
}


def whole(value: object, low: int, high: int) -> bool:
    """Is it an integer within bounds?"""
    return type(value) is int and low <= value <= high


def filled(given: object, defaults: dict[str, Any], place: str) -> dict[str, Any]:
    """Return settings with defaults. Raises ValueError naming the field."""
    if not isinstance(given, dict):
        raise ValueError(place)
    for name, value in given.items():
        known = defaults.get(name, 0)
        kind = type(known) if known is not None and name != "stages" else int
        fits = name in defaults and (value is None or name == "stages" or type(value) is kind)
        if name == "pack":
            fits = (
                isinstance(value, str)
                and 0 < len(value) <= 16
                and value.replace("-", "a").isalnum()
                and value == value.lower()
            )
        if not fits or (type(value) is int and not 0 <= value <= 432_000_000) or value == "":
            raise ValueError(name)
    return {
        **defaults,
        **{
            name: value
            for name, value in given.items()
            if value is not None or defaults.get(name) is None
        },
    }


def settings_from(given: object) -> dict[str, Any]:
    """Return complete settings. Raises ValueError naming the field."""
    bank = filled(given, BANK, "settings")
    bank["packs"] = [filled(pack, {**PACK, "pack": None}, "packs") for pack in bank["packs"]]
    names = [pack["pack"] for pack in bank["packs"]]
    if not 1 <= len(names) <= 64 or None in names or len(set(names)) < len(names):
        raise ValueError("packs")
    bank["stages"] = filled(bank["stages"] or {}, STAGES, "stages")
    for name, cell_mv in PER_CELL.items():
        bank[name] = bank[name] or cell_mv * bank["cell_count"]
    for name, cell_mv in (("absorption_mv", 3_450), ("float_mv", 3_350)):
        bank["stages"][name] = bank["stages"][name] or cell_mv * bank["cell_count"]
    for pack in bank["packs"]:
        for curve in [pack[name] for name in pack if name.endswith("_curve")]:
            places = [place for place, _ in curve]
            if places != sorted(set(places)):
                raise ValueError("curve")
    if bank["discharge_voltage_floor_mv"] >= bank["charge_voltage_ceiling_mv"]:
        raise ValueError("discharge_voltage_floor_mv")
    if bank["stages"]["float_mv"] >= bank["stages"]["absorption_mv"]:
        raise ValueError("float_mv")
    if bank["fresh_ms"] >= bank["unheard_ms"] or set(bank["own_packs"]) - set(names):
        raise ValueError("fresh_ms")
    return bank


def bad_report(report: dict[str, Any], cell_count: int) -> str | None:
    """Return the first field that cannot be true."""
    for name, value in report.items():
        fits = value is None and name != "sample"
        if name in NUMBERS:
            fits = fits or whole(value, *NUMBERS[name])
        elif name in FLAGS:
            fits = fits or value is True or value is False
        elif name in LISTS:
            bounds = NUMBERS[LISTS[name][0]]
            fits = fits or (
                isinstance(value, list)
                and len(value) > 0
                and all(whole(one, *bounds) for one in value)
            )
            fits = fits and (value is None or name != "cells_mv" or len(value) == cell_count)
        elif name in ("warnings", "protections"):
            fits = fits or (isinstance(value, list) and all(one in ALARMS for one in value))
        else:
            fits = name in ("op", "t", "pack")
        if not fits or (name == "cell_count" and value not in (None, cell_count)):
            return name
    for name, (lower, upper) in LISTS.items():
        low, high = report.get(lower), report.get(upper)
        if low is not None and high is not None and low > high:
            return lower
        if report.get(name) and (
            (low is not None and low > min(report[name]))
            or (high is not None and high < max(report[name]))
        ):
            return lower
    return None if "sample" in report else "sample"


def bad_wish(ask: dict[str, Any], names: list[str]) -> str | None:
    """Return the first field of a wish that makes no sense."""
    needs_pack, bounds, may_end = WISHES[ask["kind"]]
    value, lasts = ask.get("value"), ask.get("lasts_ms")
    source = ask.get("source", "")
    if (ask.get("pack") not in names) if needs_pack else ask.get("pack") is not None:
        return "pack"
    if (value is not None) if bounds is None else not whole(value, *bounds):
        return "value"
    if lasts is not None and not (may_end and whole(lasts, 1, 432_000_000)):
        return "lasts_ms"
    if not isinstance(source, str) or len(source) > 32 or not source.isascii():
        return "source"
    return "field" if ask.get("field") is not None else None
