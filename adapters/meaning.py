"""What a number on a bus means: unit, scale, sign, what stands for "no data"; both ways, exactly.

Maps that owners write (signals of a DBC, registers, JSON paths, bytes of a frame) all end in rows
of this shape:

    field = "current_ma"      a field of the core's records
    unit = "A"                what the number is in, after scale and offset; left out: the field's own
    scale = 0.1               number x scale + offset, in `unit`
    positive = "discharge"    which way a positive current flows; inside, charge is positive
    no_data = [65535]         numbers that mean "unknown"

Arithmetic is in fractions: 0.1 is a tenth. A measured value is rounded to the nearest step, a limit
to its safe side. A value the core could not take is unknown, never a number.
"""

import difflib
import re
from collections.abc import Iterator, Sequence
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from math import isfinite, lcm
from typing import Any, Literal

from attrs import field as attr
from attrs import frozen

from adapters.toml_file import Complaint, Place
from aggregator.errors import told
from aggregator.report import (
    ALARMS,
    BUS_INTS,
    MOST_CELLS,
    REPORT_FLAGS,
    REPORT_INTS,
    REPORT_LISTS,
)

# Unit of a bus -> (unit of the core, factor, offset in the core's unit).
UNITS: dict[str, tuple[str, Fraction, Fraction]] = {
    "V": ("mv", Fraction(1000), Fraction(0)),
    "mV": ("mv", Fraction(1), Fraction(0)),
    "A": ("ma", Fraction(1000), Fraction(0)),
    "mA": ("ma", Fraction(1), Fraction(0)),
    "Ah": ("mah", Fraction(1000), Fraction(0)),
    "mAh": ("mah", Fraction(1), Fraction(0)),
    "%": ("permille", Fraction(10), Fraction(0)),
    "permille": ("permille", Fraction(1), Fraction(0)),
    "°C": ("decic", Fraction(10), Fraction(0)),
    "0.1 °C": ("decic", Fraction(1), Fraction(0)),
    "K": ("decic", Fraction(10), Fraction(-2731, 1) - Fraction(1, 2)),
    "s": ("ms", Fraction(1000), Fraction(0)),
    "ms": ("ms", Fraction(1), Fraction(0)),
    "W": ("w", Fraction(1), Fraction(0)),
    "kW": ("w", Fraction(1000), Fraction(0)),
}

# The safe side of what is not simply measured: limits ask for less, extremes look worse.
DOWN = [
    "charge_voltage_limit_mv",
    "charge_current_limit_ma",
    "discharge_current_limit_ma",
    "soc_permille",
    "soh_permille",
    "capacity_mah",
    "remaining_mah",
    "cell_min_mv",
    "temperature_min_decic",
]
UP = ["discharge_voltage_limit_mv", "cell_max_mv", "temperature_max_decic"]

RANGES = {name: (low, high) for name, low, high in REPORT_INTS if name not in ("sample",)}
BUS_RANGES = {name: (low, high) for name, low, high in BUS_INTS if name not in ("sample",)}
LIST_RANGES = {name: (low, high) for name, low, high, _, _ in REPORT_LISTS}
BIT = re.compile(r"[0-9]{1,2}")
ALARM_SETS = ("warnings", "protections")
FIELDS = (*RANGES, *REPORT_FLAGS, *LIST_RANGES, *ALARM_SETS)

Value = int | bool | tuple[str, ...]


def exact(number: float) -> Fraction:
    """Return a number from a file as people wrote it: 0.1 is a tenth."""
    return Fraction(repr(number))


def divided(over: int, under: int, name: str) -> int:
    """Divide a field's value: limits to their safe side, what is measured to the nearest."""
    if name in DOWN:
        return over // under
    if name in UP:
        return -(-over // under)
    return (2 * over + under) // (2 * under)


def rounded(value: Fraction, name: str) -> int:
    """Round a value of a field: limits to their safe side, what is measured to the nearest."""
    return divided(value.numerator, value.denominator, name)


@frozen(kw_only=True)
class Meaning:
    """What one number means; the keys of a row in an owner's map. See the module's text.

    For yes/no fields: `true` and `false` list the numbers that mean so, all others are unknown;
    `bit` takes one bit of the number first. For alarms (`warnings`, `protections`): `bits` maps a
    bit's number to an alarm's name. For lists (`cells_mv`, `temperatures_decic`): `number` is
    which element this is, from 1.
    """

    field: str
    scale: float = 1.0
    offset: float = 0.0
    unit: str | None = None
    positive: Literal["charge", "discharge"] = "charge"
    no_data: list[float] = attr(factory=list)
    bit: int | None = None
    true: list[int] = attr(factory=lambda: [1])
    false: list[int] = attr(factory=lambda: [0])
    bits: dict[str, str] = attr(factory=dict)
    number: int | None = None

    def value(self, raw: float) -> Value | None:
        """Return what a number says, in the core's unit; None: unknown.

        `raw` is as the bus carries it; floats are taken for the decimal they print as.
        """
        if raw in self.no_data or not isfinite(raw):
            return None
        if self.field in ALARM_SETS:
            return self._alarms(int(raw))
        if self.bit is not None:
            raw = int(raw) >> self.bit & 1
        if self.field in REPORT_FLAGS:
            return True if raw in self.true else False if raw in self.false else None
        return self._quantity(raw)

    def raw(self, value: Any) -> Fraction:
        """Return the number that says `value` (in the core's unit), before rounding to the bus."""
        factor, shift = self.factors()
        return (Fraction(value) - shift) / factor

    def raw_rounded(self, value: int) -> int:
        """Return the whole number that says `value`, rounded to the field's safe side."""
        factor, _ = self.factors()
        exactly = self.raw(value)
        return rounded(exactly, self.field) if factor > 0 else -rounded(-exactly, self.field)

    def factors(self) -> tuple[Fraction, Fraction]:
        """Return (factor, shift): core value = raw x factor + shift."""
        _, per_unit, zero = UNITS[self.unit] if self.unit else ("", Fraction(1), Fraction(0))
        sign = -1 if self.positive == "discharge" else 1
        return sign * exact(self.scale) * per_unit, sign * exact(self.offset) * per_unit + zero

    @cached_property
    def line(self) -> tuple[int, int, int]:
        """(a, b, c) of core value = (a · raw + b) / c: fractions are slow, and made only once."""
        factor, shift = self.factors()
        under = lcm(factor.denominator, shift.denominator)
        return int(factor * under), int(shift * under), under

    def _quantity(self, raw: float) -> int | None:
        over, plus, under = self.line
        if type(raw) is int:
            value = divided(raw * over + plus, under, self.field)
        else:
            digits, power = Decimal(repr(raw)).as_integer_ratio()  # as `exact`, but fast
            value = divided(digits * over + plus * power, under * power, self.field)
        low, high = LIST_RANGES.get(self.field) or RANGES.get(self.field) or BUS_RANGES[self.field]
        return value if low <= value <= high else None

    def _alarms(self, word: int) -> tuple[str, ...]:
        found = {name for bit, name in self.bits.items() if word >> int(bit) & 1}
        return tuple(sorted(found))


def is_bit(text: str) -> bool:
    """Is this the number of a bit, as the keys of `bits` tell it?"""
    return BIT.fullmatch(text) is not None and int(text) <= 63


def _fits(unit: str, field: str) -> bool:
    return unit in UNITS and field.endswith("_" + UNITS[unit][0])


def complaints_of(meaning: Meaning, names: Sequence[str], place: Place) -> Iterator[Complaint]:
    """Yield what cannot be right in a row of a map; `names`: the fields it may be about."""
    if meaning.field not in names:
        near = difflib.get_close_matches(meaning.field, names, n=1)
        hint = f'did you mean "{near[0]}"?' if near else "see the page of report fields"
        yield Complaint((*place, "field"), "a field of the records", told(meaning.field), hint)
    elif meaning.unit is not None and not _fits(meaning.unit, meaning.field):
        fitting = [unit for unit in UNITS if _fits(unit, meaning.field)]
        expected = f"one of {', '.join(fitting)}" if fitting else "no unit here"
        yield Complaint((*place, "unit"), expected, told(meaning.unit))
    if not meaning.scale or not isfinite(meaning.scale):
        yield Complaint((*place, "scale"), "a number other than 0", f"{meaning.scale:g}")
    if meaning.positive == "discharge" and not meaning.field.endswith("_ma"):
        yield Complaint((*place, "positive"), "nothing: this is no current", "discharge")
    if meaning.bit is not None and not 0 <= meaning.bit <= 63:
        yield Complaint((*place, "bit"), "0..63", str(meaning.bit))
    if meaning.number is not None and not 1 <= meaning.number <= MOST_CELLS:
        yield Complaint((*place, "number"), f"1..{MOST_CELLS}", str(meaning.number))
    both = [number for number in meaning.true if number in meaning.false]
    if meaning.field in REPORT_FLAGS and both:
        hint = "a flag that says yes by 0 has true = [0] and false = [1]"
        yield Complaint((*place, "true"), "numbers that false has not", f"{both[0]} in both", hint)
    for key in ("true", "false"):
        if meaning.field in REPORT_FLAGS and not getattr(meaning, key):
            yield Complaint((*place, key), "at least one number", "none")
    if meaning.field in ALARM_SETS and not meaning.bits:
        yield Complaint((*place, "bits"), "which bit is which alarm", "nothing")
    for bit, alarm in meaning.bits.items():
        if not is_bit(bit):
            yield Complaint((*place, "bits"), "bits 0..63", told(bit))
        if alarm not in ALARMS:
            yield Complaint((*place, "bits", bit), f"one of {', '.join(ALARMS)}", told(alarm))


def merged(rows: Sequence[tuple[Meaning, Value | None]]) -> dict[str, object]:
    """Return the fields that several rows say together: alarms united, lists put in order.

    A list with a hole is unknown: what is missing could be the extreme.
    """
    fields: dict[str, object] = {}
    lists: dict[str, dict[int, object]] = {}
    for meaning, value in rows:
        name = meaning.field
        if name in ALARM_SETS:
            known = fields.get(name)
            both = [one for one in (known, value) if isinstance(one, tuple)]
            fields[name] = tuple(sorted({alarm for one in both for alarm in one})) if both else None
        elif name in LIST_RANGES:
            lists.setdefault(name, {})[meaning.number or len(lists.get(name, {})) + 1] = value
        else:
            fields[name] = value
    for name, elements in lists.items():
        values = [elements.get(number) for number in range(1, len(elements) + 1)]
        fields[name] = None if None in values else tuple(values)
    return fields
