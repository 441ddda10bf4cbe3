"""Which reports and requests make sense, written down a second time from the reference pages.

Nothing of this is shared with the core, so that a mistake in a table there shows up here.
"""

from conformance.oracle.breach import Plain

HOUR_MS = 3_600_000
LONGEST_MS = 120 * HOUR_MS

# field: lowest, highest
NUMBERS = {
    "age_ms": (0, LONGEST_MS),
    "sample": (0, 65_535),
    "voltage_mv": (0, 150_000),
    "current_ma": (-1_000_000, 1_000_000),
    "cell_min_mv": (0, 5_000),
    "cell_max_mv": (0, 5_000),
    "cell_min_no": (1, 255),
    "cell_max_no": (1, 255),
    "cell_count": (1, 32),
    "temperature_min_decic": (-500, 1_500),
    "temperature_max_decic": (-500, 1_500),
    "soc_permille": (0, 1_000),
    "soh_permille": (0, 1_000),
    "capacity_mah": (1, 2_000_000),
    "charge_voltage_limit_mv": (0, 150_000),
    "discharge_voltage_limit_mv": (0, 150_000),
    "charge_current_limit_ma": (0, 1_000_000),
    "discharge_current_limit_ma": (0, 1_000_000),
}
YES_OR_NO = (
    "charge_allowed",
    "discharge_allowed",
    "charge_path_closed",
    "discharge_path_closed",
    "balancing",
)
LISTS = {"cells_mv": (0, 5_000), "temperatures_decic": (-500, 1_500)}
EXTREMES = {
    "cells_mv": ("cell_min_mv", "cell_max_mv"),
    "temperatures_decic": ("temperature_min_decic", "temperature_max_decic"),
}
ALARMS = frozenset(
    (
        *("board_over_temperature", "cell_imbalance", "cell_over_voltage", "cell_under_voltage"),
        *("charge_over_current", "charge_over_temperature", "charge_under_temperature"),
        *("discharge_over_current", "discharge_over_temperature"),
        *("discharge_under_temperature", "internal_fault", "other", "pack_over_voltage"),
        *("pack_under_voltage", "short_circuit"),
    )
)
BUS_NUMBERS = {
    "age_ms": (0, LONGEST_MS),
    "sample": (0, 65_535),
    "voltage_mv": (0, 150_000),
    "current_ma": (-32_000_000, 32_000_000),
}
# kind of wish: names a pack, lowest and highest value (None: takes none), may run out
WISHES: dict[str, tuple[bool, tuple[int, int] | None, bool]] = {
    "withhold_pack": (True, None, True),
    "cap_charge_current": (False, (0, 32_000_000), True),
    "cap_discharge_current": (False, (0, 32_000_000), True),
    "cap_charge_voltage": (False, (10_000, 120_000), True),
    "stop_charge": (False, None, False),
    "stop_discharge": (False, None, False),
    "top_soc_permille": (False, (0, 1_000), True),
    "reserve_soc_permille": (False, (0, 1_000), True),
    "full_charge_every_days": (False, (1, 365), True),
}
ADDRESS = ("op", "t", "pack")  # of a report; the rest is the reading
MOST_WISHES = 16


def in_range(value: object, bounds: tuple[int, int]) -> bool:
    """Is this an integer (a yes is none) within bounds?"""
    return type(value) is int and bounds[0] <= value <= bounds[1]


def sound_report(request: Plain, names: list[str], cell_count: int) -> str | None:
    """Return the first field of a report that cannot be true; None: the report is sound."""
    if type(request.get("t")) is not int:
        return "t"
    if request.get("pack") not in names:
        return "pack"
    if request.get("sample") is None:
        return "sample"
    for name, value in request.items():
        if value is not None and name not in ADDRESS and not _sound(name, value, cell_count):
            return name
    for lower, upper in EXTREMES.values():
        low, high = request.get(lower), request.get(upper)
        if isinstance(low, int) and isinstance(high, int) and low > high:
            return lower
    for name, (lower, upper) in EXTREMES.items():
        values = request.get(name)
        if isinstance(values, list):
            low, high = request.get(lower), request.get(upper)
            if isinstance(low, int) and low > min(values):
                return lower
            if isinstance(high, int) and high < max(values):
                return upper
    return None


def _sound(name: str, value: object, cell_count: int) -> bool:
    if name in NUMBERS:
        return in_range(value, NUMBERS[name]) and (name != "cell_count" or value == cell_count)
    if name in YES_OR_NO:
        return value is True or value is False
    if name in LISTS:
        if not isinstance(value, list) or not 0 < len(value) <= 255:
            return False
        length_fits = name != "cells_mv" or len(value) == cell_count
        return length_fits and all(in_range(element, LISTS[name]) for element in value)
    if name in ("warnings", "protections"):
        return isinstance(value, list) and all(
            isinstance(alarm, str) and alarm in ALARMS for alarm in value
        )
    return False


def sound_bus(request: Plain) -> bool:
    """Can this reading of a bus meter be true?"""
    fields = {key: request[key] for key in request if key not in ("op", "t")}
    return (
        type(request.get("t")) is int
        and fields.get("sample") is not None
        and all(
            name in BUS_NUMBERS and (value is None or in_range(value, BUS_NUMBERS[name]))
            for name, value in fields.items()
        )
    )


def is_wish(request: Plain) -> bool:
    """Does it ask for something that is kept (whether or not it makes sense)?"""
    kind = request.get("kind")
    return isinstance(kind, str) and kind in WISHES


def sound_wish(request: Plain, names: list[str]) -> bool:
    """Does this wish make sense (whether or not there is room for it)?"""
    kind = request.get("kind")
    if not isinstance(kind, str) or kind not in WISHES or type(request.get("t")) is not int:
        return False
    needs_pack, bounds, may_run_out = WISHES[kind]
    if set(request) - {"op", "t", "kind", "pack", "value", "lasts_ms", "source", "field"}:
        return False
    pack, value, lasts_ms = request.get("pack"), request.get("value"), request.get("lasts_ms")
    source = request.get("source", "")
    return (
        (pack in names if needs_pack else pack is None)
        and (value is None if bounds is None else in_range(value, bounds))
        and (lasts_ms is None or (may_run_out and in_range(lasts_ms, (1, LONGEST_MS))))
        and isinstance(source, str)
        and len(source) <= 32
        and all(" " <= c <= "~" for c in source)
        and request.get("field") is None
    )
