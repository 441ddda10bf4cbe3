"""What looks wrong in a recording as a map reads it: guesses worth a look, in plain words.

Each suspicion is a row of SUSPICIONS: a function that yields sentences. They know what a LiFePO4
pack does: cells between 2 and 4 V, a voltage that rises when charge current does. The thresholds
are common practice, no source.
"""

from collections.abc import Callable, Iterator
from itertools import pairwise
from statistics import median
from typing import Any

from adapters.cli.moments import Recording
from adapters.meaning import ALARM_SETS, LIST_RANGES

STEP_MA = 3_000  # a step in current from which the voltage shows which way it goes
LEAST_STEPS = 5
MOVED_PERMILLE, MOVED_MAH = 10, 500  # of charge, before its direction counts
FLOWS_MA = 5_000
MOST_OFF_PERMILLE = 30  # between a pack's voltage and the sum of its cells
FROZEN_READINGS, FROZEN_MS = 20, 60_000
SWING_MA = 30_000  # moves the voltage of any pack by more than a coarse signal's step
HOUR_MS = 3_600_000
TENS = ((1_000, "a thousand times"), (100, "a hundred times"), (10, "ten times"))
# What the middle of a recording may be; a tenth or ten times of it is a matter of scale.
USUAL = {
    "voltage_mv": (9_000, 120_000),
    "charge_voltage_limit_mv": (9_000, 120_000),
    "discharge_voltage_limit_mv": (7_000, 120_000),
    "cell_min_mv": (2_000, 4_000),
    "cell_max_mv": (2_000, 4_000),
    "cells_mv": (2_000, 4_000),
    "capacity_mah": (5_000, 2_000_000),
}
HOTTEST_DECIC = 700
CODES = (65_535, 32_767, -32_768, 4_294_967_295, 2_147_483_647, -2_147_483_648)
ORDERED = (
    ("cell_min_mv", "cell_max_mv", "the lowest cell is above the highest"),
    ("temperature_min_decic", "temperature_max_decic", "the coldest is above the hottest"),
    ("discharge_voltage_limit_mv", "charge_voltage_limit_mv",
     "the discharge voltage limit is above the charge voltage limit"),
)  # fmt: skip
PERMISSIONS = (
    ("charge_allowed", 1, "charging", "in"),
    ("discharge_allowed", -1, "discharging", "out"),
)


def suspicions(recording: Recording) -> list[str]:
    """Return what looks wrong, in the order of the table."""
    return [sentence for look in SUSPICIONS for sentence in look(recording)]


def never_known(recording: Recording) -> Iterator[str]:
    """A field that came, and never with a usable value."""
    for (field, source), row in recording.rows.items():
        if all(one.value is None for one in row):
            raws = sorted({str(one.raw) for one in row})[:3]
            yield (
                f"{field} ({source}) is never known: {', '.join(raws)} in the frame is a code for"
                " no data, or beyond what the field can hold; is the scale right?"
            )


def several_units(recording: Recording) -> Iterator[str]:
    """A field that comes from several places: readings of several packs are mixed up."""
    places: dict[str, list[str]] = {}
    for field, source in recording.rows:
        if field not in (*LIST_RANGES, *ALARM_SETS):
            places.setdefault(field, []).append(source)
    mixed = next((field for field in places if len(places[field]) > 1), None)
    if mixed is not None:
        where = " and ".join(places[mixed][:2])
        yield f"{mixed} comes from {where}: are these several packs? Pick one with --unit"


def out_of_order(recording: Recording) -> Iterator[str]:
    """Two extremes, or two limits, the wrong way round."""
    for low, high, what in ORDERED:
        pairs = list(recording.both(low, high))
        wrong = sum(lower > upper for lower, upper in pairs)
        if 2 * wrong > len(pairs):
            yield f"{what}, {wrong} of {len(pairs)} times: are {low} and {high} swapped?"


def current_reversed(recording: Recording) -> Iterator[str]:
    """Voltage falls when current into the pack rises, or the charge counter runs the other way."""
    pairs = recording.pairs
    same = opposite = 0
    charge = 0
    for before, after in pairwise(pairs):
        step_ma = after.current_ma - before.current_ma
        step_mv = after.voltage_mv - before.voltage_mv
        charge += before.current_ma * (after.at_ms - before.at_ms)
        if abs(step_ma) >= STEP_MA and step_mv:
            same += step_ma * step_mv > 0
            opposite += step_ma * step_mv < 0
    if same + opposite >= LEAST_STEPS and opposite >= 4 * same:
        yield (
            f"the voltage falls when the current rises, {opposite} of {same + opposite} times: is"
            ' the current\'s sign right (positive = "discharge")?'
        )
        return
    counted = [one for (one,) in recording.both("soc_permille")]
    moved = counted[-1] - counted[0] if counted else 0
    charge_mah = charge / HOUR_MS
    if abs(moved) >= MOVED_PERMILLE and abs(charge_mah) >= MOVED_MAH and moved * charge_mah < 0:
        yield (
            f"the state of charge moves by {moved / 10:+.1f} % while {charge_mah / 1_000:+.1f} Ah"
            ' flow: is the current\'s sign right (positive = "discharge")?'
        )


def voltage_against_cells(recording: Recording) -> Iterator[str]:
    """The pack's voltage is not what its cells add up to."""
    ratios = []
    for total, low, high in recording.both("voltage_mv", "cell_min_mv", "cell_max_mv"):
        if low + high:
            ratios.append(2 * total / (low + high))
    counts = [count for (count,) in recording.both("cell_count")]
    cells = [sum(one) for (one,) in recording.both("cells_mv")]
    totals = [total for total, _ in recording.both("voltage_mv", "cells_mv")]
    if cells and totals and median(cells):
        off = median(totals) / median(cells)
        how = _tens(off)
        if how:
            yield f"the pack's voltage looks {how} against the sum of its cells: is its scale right?"
        elif abs(off - 1) * 1_000 > MOST_OFF_PERMILLE:
            yield (
                f"the cells add up to {median(cells) / 1_000:.2f} V, the pack says"
                f" {median(totals) / 1_000:.2f} V: are all cells mapped?"
            )
    elif ratios:
        ratio, count = median(ratios), median(counts) if counts else None
        how = _tens(ratio / count) if count else "" if 3 <= ratio <= 33 else _tens(ratio / 16)
        if how:
            yield f"the pack's voltage looks {how} against its cells: is its scale right?"
        elif count and abs(ratio / count - 1) * 1_000 > MOST_OFF_PERMILLE:
            yield f"the pack's voltage is that of {ratio:.1f} of its cells, and it says it has {count:g}"
        elif not 3 <= ratio <= 33:
            yield f"the pack's voltage is that of {ratio:.1f} of its cells"


def _tens(ratio: float) -> str:
    """Return how a ratio is off by tens; empty: it is not."""
    for factor, how in TENS:
        if 0.7 <= ratio / factor <= 1.4:
            return f"{how} too large"
        if 0.7 <= ratio * factor <= 1.4:
            return f"{how} too small"
    return ""


def unusual(recording: Recording) -> Iterator[str]:
    """A value that would be usual with another scale."""
    for field, (low, high) in USUAL.items():
        values = [_number(value) for (value,) in recording.both(field)]
        middle = median(values) if values else None
        if middle is None or low <= middle <= high:
            continue
        for factor, how in reversed(TENS):
            if low <= middle / factor <= high:
                yield f"{field} looks {how} too large: is its scale right?"
                break
            if low <= middle * factor <= high:
                yield f"{field} looks {how} too small: is its scale right?"
                break
    charged = [value for (value,) in recording.both("soc_permille")]
    if charged and 0 < max(charged) <= 10:
        yield "the state of charge is never above 1 %: is it a fraction of 1 (scale = 100)?"
    warm = [value for (value,) in recording.both("temperature_max_decic")]
    if warm and median(warm) > HOTTEST_DECIC:
        yield f"the hottest sensor says {median(warm) / 10:.0f} °C: is the offset right?"


def _number(value: Any) -> float:
    return float(median(value)) if isinstance(value, (list, tuple)) else float(value)


def current_against_limits(recording: Recording) -> Iterator[str]:
    """Currents far above the pack's own limits."""
    for name, sign in (("charge_current_limit_ma", 1), ("discharge_current_limit_ma", -1)):
        pairs = [(sign * ma, most) for ma, most in recording.both("current_ma", name) if most]
        flowing = [ma / most for ma, most in pairs if ma >= FLOWS_MA]
        if len(flowing) >= LEAST_STEPS and median(flowing) > 3:
            yield (
                f"the current is {median(flowing):.0f} times {name}: is the scale of one of them right?"
            )


def permissions_denied(recording: Recording) -> Iterator[str]:
    """A board that forbids what goes on all the time."""
    for name, sign, what, way in PERMISSIONS:
        flowing = [may for may, ma in recording.both(name, "current_ma") if sign * ma >= FLOWS_MA]
        denied = sum(may is False for may in flowing)
        if denied >= LEAST_STEPS and 5 * denied >= 4 * len(flowing):
            yield (
                f"{name} forbids {what} while current flows {way}, {denied} of {len(flowing)} times:"
                " are true and false swapped?"
            )


def frozen(recording: Recording) -> Iterator[str]:
    """A reading that stands still while others move."""
    currents = [one.current_ma for one in recording.pairs]
    moves = bool(currents) and max(currents) - min(currents) >= SWING_MA
    if not moves:
        return
    for (field, source), row in recording.rows.items():
        lasted_ms = row[-1].at_ms - row[0].at_ms
        if field not in ("voltage_mv", "cell_min_mv", "cell_max_mv", "cells_mv"):
            continue
        if (
            len(row) >= FROZEN_READINGS
            and lasted_ms >= FROZEN_MS
            and len({one.raw for one in row}) == 1
        ):
            yield f"{field} ({source}) stands still at {row[0].raw} while the current moves"


def codes_taken(recording: Recording) -> Iterator[str]:
    """A number that usually means "no data" and is taken for a value."""
    for (field, source), row in recording.rows.items():
        taken = {one.raw for one in row if one.value is not None and one.raw in CODES}
        for raw in sorted(taken, key=str):
            yield f"{field} ({source}): {raw} is taken for a value; is it a code for no data?"


Look = Callable[[Recording], Iterator[str]]
SUSPICIONS: tuple[Look, ...] = (
    several_units, never_known, out_of_order, current_reversed, voltage_against_cells, unusual,
    current_against_limits, permissions_denied, frozen, codes_taken,
)  # fmt: skip
