"""A value of the core as the number that goes into a register, on its safe side; and back.

A limit never comes out as more than it is: what a type cannot carry is cut off where that asks for
less, and cannot be said where it would ask for more (`Unsayable`). A number that stands for "no
data" is stepped over. Measured values go to the nearest step, and to "no data" where they do not fit.
"""

from fractions import Fraction

from adapters.meaning import ALARM_SETS, DOWN, UP, Meaning, Value, divided
from adapters.modbus.maps import Row
from adapters.registers import F32_NAN, Layout, as_float, float_bits
from aggregator.report import REPORT_FLAGS

LIMITS = (
    "charge_voltage_limit_mv",
    "discharge_voltage_limit_mv",
    "charge_current_limit_ma",
    "discharge_current_limit_ma",
)
BANK_FLAGS = ("charge_allowed", "discharge_allowed", "partial")
NAN_BITS = F32_NAN[0] << 16 | F32_NAN[1]


class Unsayable(ValueError):  # noqa: N818  # it is what the value is
    """A register cannot carry a value on its safe side; the text is one line."""


def spelled(row: Row, layout: Layout, value: Value | None) -> int:
    """Return the number for a register (f32: its bits). Raises Unsayable."""
    if value is None:
        return unknown(row, layout)
    if row.field in ALARM_SETS:
        assert isinstance(value, tuple)
        return sum(1 << int(bit) for bit, name in row.bits.items() if name in value)
    if row.field in REPORT_FLAGS or row.field in BANK_FLAGS:
        number = (row.true if value else row.false)[0]
        return number << row.bit if row.bit is not None else number
    assert isinstance(value, int)
    quantity = _quantity(row, layout, value)
    if quantity is not None:
        return quantity
    if row.field in LIMITS:
        raise Unsayable(f"{row.field} = {value} does not fit into {row.type} at {row.address}")
    return unknown(row, layout)


def unknown(row: Row, layout: Layout) -> int:
    """Return the number that says "no data". Raises Unsayable."""
    if row.field in REPORT_FLAGS and row.bit is None:
        taken = [*row.true, *row.false]
        return next(number for number in range(len(taken) + 1) if number not in taken)
    if row.no_data:
        number = row.no_data[0]
        return float_bits(Fraction(number), 0) if layout.type == "f32" else int(number)
    if layout.type == "f32":
        return NAN_BITS
    raise Unsayable(f"{row.field} is unknown, and register {row.address} has no no_data")


def _quantity(row: Row, layout: Layout, value: int) -> int | None:
    over, plus, under = row.line
    side = -1 if row.field in DOWN else 1 if row.field in UP else 0
    raw, by = value * under - plus, over
    if by < 0:  # a greater value is a smaller number
        raw, by, side = -raw, -by, -side
    if layout.type == "f32":
        bits = float_bits(Fraction(raw, by), side)
        return None if as_float(bits) in row.no_data else bits
    number = raw // by if side < 0 else -(-raw // by) if side > 0 else (2 * raw + by) // (2 * by)
    low, high = layout.lowest, layout.highest
    if (number > high and side < 0) or (number < low and side > 0):
        number = high if side < 0 else low
    step = side or (-1 if number > 0 else 1)
    while number in row.no_data:
        number += step
    return number if low <= number <= high else None


def told(row: Meaning, number: int | float) -> Value | None:
    """Return what a number in a register of the bank's says, whatever its range."""
    if row.field in ALARM_SETS or row.field in REPORT_FLAGS:
        return row.value(number)
    if number in row.no_data or number != number:
        return None
    if row.field in BANK_FLAGS:
        number = int(number) >> row.bit & 1 if row.bit is not None else number
        return True if number in row.true else False if number in row.false else None
    over, plus, under = row.line
    exactly = Fraction(number) * over / under + Fraction(plus, under)
    return divided(exactly.numerator, exactly.denominator, row.field)


def number_in(layout: Layout, spelling: int) -> int | float:
    """Return the number that a register will be read as, from what `spelled` returned."""
    return as_float(spelling) if layout.type == "f32" else spelling
