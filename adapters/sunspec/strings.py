"""Models 803 and 713: each pack as a string, and what is stored. Pure functions.

The view tells whether a pack takes part, its last reading what it measures. What a pack does not
tell, and all that a silent or removed one told, is "not implemented".
"""

from collections.abc import Sequence

from adapters.sunspec.battery import (
    CELL_VOLTS,
    COMMUNICATION_ERROR,
    FAULT,
    PERCENT,
    VOLTS,
    alarms,
    string_number,
)
from adapters.sunspec.points import Value
from adapters.sunspec.ratings import MILLI, Ratings, limit, signed, unsigned
from aggregator import PackReport, PackRow, SystemView

TEMPERATURE = -1  # scale factor: 0.1 °C
OK, WARNING, ERROR = 0, 1, 2
ONE = 1  # module of a string: the pack
NO_REASON, BY_FAULT, BY_SOMEBODY, BY_SOMETHING = 0, 1, 3, 4  # StrDisRsn


def bank_values(view: SystemView, packs: list[PackRow], ratings: Ratings) -> dict[str, Value]:
    """Return the fixed part of model 803, raw."""
    return {
        "NStr": len(packs),
        "NStrCon": sum(is_connected(row) for row in packs),
        "ModTmpMax": view.temperature_max_decic,
        "ModTmpMaxStr": string_number(view.temperature_max_pack, packs),
        "ModTmpMin": view.temperature_min_decic,
        "ModTmpMinStr": string_number(view.temperature_min_pack, packs),
        "StrVMax": unsigned(view.voltage_max_mv, MILLI, VOLTS),
        "StrVMin": unsigned(view.voltage_min_mv, MILLI, VOLTS),
        "StrVAvg": unsigned(view.voltage_mv, MILLI, VOLTS),
        "CellV_SF": CELL_VOLTS,
        "ModTmp_SF": TEMPERATURE,
        "A_SF": ratings.currents,
        "SoH_SF": PERCENT,
        "SoC_SF": PERCENT,
        "V_SF": VOLTS,
    }


def is_connected(row: PackRow) -> bool:
    """Has it to be taken for connected? A silent pack has; one that says its path is open has not."""
    return row.presence != "removed" and not (row.why_ignored or "").endswith("path_open")


def string_values(row: PackRow, reading: PackReport | None, ratings: Ratings) -> dict[str, Value]:
    """Return one string of model 803, raw. `reading`: what the pack reads now, None: nothing."""
    reason = row.why_ignored or ""
    by_somebody = row.presence == "removed" or reason.endswith("withheld")
    reasons = (
        (by_somebody, BY_SOMEBODY),
        (row.presence == "unheard", BY_FAULT),
        (reason != "", BY_SOMETHING),
        (True, NO_REASON),
    )
    enabled = row.presence in ("live", "late") and not by_somebody
    said = {} if reading is None else measured(reading, ratings)
    found = 0 if reading is None else alarms(reading.protections or (), reading.warnings or ())
    lost = COMMUNICATION_ERROR if row.presence in ("late", "unheard") else 0
    return {
        **said,
        "StrNMod": ONE,
        "StrSt": int(enabled) | int(is_connected(row)) << 1,
        "StrDisRsn": next(number for holds, number in reasons if holds),
        "StrEvt1": found | lost,
        **dict.fromkeys(("StrEvt2", "StrEvtVnd1", "StrEvtVnd2"), 0),
    }


def measured(reading: PackReport, ratings: Ratings) -> dict[str, int | None]:
    """Return what a pack reads as points of its string, raw."""
    lowest_mv, highest_mv = reading.cell_min_mv, reading.cell_max_mv
    coldest_decic, hottest_decic = reading.temperature_min_decic, reading.temperature_max_decic
    temperatures_decic = reading.temperatures_decic
    return {
        "StrSoC": reading.soc_permille,
        "StrSoH": reading.soh_permille,
        "StrA": signed(reading.current_ma, MILLI, ratings.currents, ratings.sign),
        "StrCellVMax": unsigned(highest_mv, MILLI, CELL_VOLTS),
        "StrCellVMaxMod": None if highest_mv is None else ONE,
        "StrCellVMin": unsigned(lowest_mv, MILLI, CELL_VOLTS),
        "StrCellVMinMod": None if lowest_mv is None else ONE,
        "StrCellVAvg": unsigned(
            average(reading.cells_mv, lowest_mv, highest_mv), MILLI, CELL_VOLTS
        ),
        "StrModTmpMax": hottest_decic,
        "StrModTmpMaxMod": None if hottest_decic is None else ONE,
        "StrModTmpMin": coldest_decic,
        "StrModTmpMinMod": None if coldest_decic is None else ONE,
        "StrModTmpAvg": average(temperatures_decic, coldest_decic, hottest_decic),
    }


def average(values: Sequence[int] | None, lowest: int | None, highest: int | None) -> int | None:
    """Return the mean, to the nearest; without the values it is known only if all are the same."""
    if not values:
        return lowest if lowest == highest else None
    return (2 * sum(values) + len(values)) // (2 * len(values))


def stored_values(view: SystemView, ratings: Ratings, state: Value) -> dict[str, Value]:
    """Return model 713, raw. Available is rated energy x charge x health, as its text says."""
    available_wh = None
    if view.soc_permille is not None and view.soh_permille is not None:
        available_wh = ratings.energy_wh * view.soc_permille * view.soh_permille // 1_000_000
    bad = state == FAULT or bool(view.protections)
    return {
        "WHRtg": limit(ratings.energy_wh, 0, ratings.energies),
        "WHAvail": unsigned(available_wh, 0, ratings.energies, -1),
        "SoC": view.soc_permille,
        "SoH": view.soh_permille,
        "Sta": ERROR if bad else WARNING if view.warnings else OK,
        "WH_SF": ratings.energies,
        "Pct_SF": PERCENT,
    }
