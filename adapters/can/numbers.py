"""A number of a frame <-> a field of the core, in integers worked out once.

What a DBC says (scale, offset, range) and what a Meaning says (unit, sign, scale) make one fraction
each way. Both directions round to the field's safe side. What a signal cannot say is not sent:
`write` returns None, never something looser.
"""

from collections.abc import Callable
from fractions import Fraction
from math import lcm
from typing import Any

from attrs import frozen

from adapters.can.bits import Spot
from adapters.meaning import ALARM_SETS, DOWN, UP, Meaning, Value, exact, rounded
from aggregator.report import REPORT_FLAGS

FAR = 1 << 40  # beyond any value
Reader = Callable[[int], Value | None]  # a number as it stands in the frame -> the core's value

LIMITS = (
    "charge_voltage_limit_mv",
    "discharge_voltage_limit_mv",
    "charge_current_limit_ma",
    "discharge_current_limit_ma",
)
# Codes at the top of an unsigned or signed number that mean "no data", of so many bits and more.
LEAST_CODED_BITS = 8
RESERVED: dict[str, Callable[[int], int]] = {
    "none": lambda bits: 0,
    "top": lambda bits: 1,
    "top-3": lambda bits: 3,
    "j1939": lambda bits: 5 << max(bits - 8, 0),  # SAE J1939-71: FBh.. of the highest byte
}


@frozen
class Scale:
    """physical = raw x `scale` + `offset`, as the DBC says; `low`, `high`: its range, if it has one."""

    scale: Fraction
    offset: Fraction
    low: Fraction | None = None
    high: Fraction | None = None


@frozen
class Number:
    """One signal with one meaning."""

    spot: Spot
    scale: Scale
    meaning: Meaning
    reserved: int  # codes at the top of the signal that mean "no data"

    @property
    def is_quantity(self) -> bool:
        """Is it an amount, neither yes/no nor alarms?"""
        return self.meaning.field not in (*REPORT_FLAGS, *ALARM_SETS)

    @property
    def is_bits(self) -> bool:
        """May other rows share the signal, each with its own bits?"""
        return self.meaning.bit is not None or self.meaning.field in ALARM_SETS

    def bounds(self) -> tuple[int, int]:
        """Return the lowest and highest number in the frame that is a value."""
        low, high = self.spot.low, self.spot.high - self.reserved
        ends = [end for end in (self.scale.low, self.scale.high) if end is not None]
        if len(ends) == 2 and not self.spot.floating and ends[0] < ends[1]:
            raws = sorted((end - self.scale.offset) / self.scale.scale for end in ends)
            low, high = max(low, -(-raws[0] // 1)), min(high, raws[1] // 1)
        return low, high

    def factors(self) -> tuple[Fraction, Fraction]:
        """Return (factor, shift): core value = number in the frame x factor + shift."""
        factor, shift = self.meaning.factors()
        return self.scale.scale * factor, self.scale.offset * factor + shift

    def reader(self, low: int, high: int) -> Reader:
        """Return the function that reads the value from the number in the frame.

        `low`, `high`: of the field, in its own unit; beyond them it is unknown.
        """
        if not self.is_quantity:
            return self.meaning.value
        if self.spot.floating:
            return self._float_reader(low, high)
        factor, shift = self.factors()
        down = lcm(factor.denominator, shift.denominator)
        times, plus = int(factor * down), int(shift * down)
        sign = -1 if self.meaning.field in UP else 1  # upwards is downwards, mirrored
        times, plus = sign * times, sign * plus
        if self.meaning.field not in (*UP, *DOWN):  # to the nearest
            times, plus, down = 2 * times, 2 * plus + down, 2 * down
        lowest, highest = self.bounds()
        unknown = frozenset(self.meaning.no_data)

        def read(raw: int) -> int | None:
            if not lowest <= raw <= highest or raw in unknown:
                return None
            value = sign * ((raw * times + plus) // down)
            return value if low <= value <= high else None

        return read

    def _float_reader(self, low: int, high: int) -> Reader:
        factor, shift = self.factors()

        def read(raw: int) -> int | None:
            number = self.spot.float_of(raw)
            if number is None or number in self.meaning.no_data:
                return None
            value = rounded(number * factor + shift, self.meaning.field)
            return value if low <= value <= high else None

        return read

    def no_data(self) -> int | None:
        """Return the number that says "unknown"; None: there is none."""
        if self.meaning.no_data:
            code = exact(self.meaning.no_data[0])
            return self.spot.bits_of(code) if self.spot.floating else int(code)
        if self.spot.floating:
            return self.spot.not_a_number()
        return self.spot.high if self.reserved else None

    def write(self, value: Any) -> int | None:
        """Return the number that says a value of the field; None: this signal cannot say it."""
        meaning = self.meaning
        if meaning.field in REPORT_FLAGS:
            return self._flag(value)
        if meaning.field in ALARM_SETS:
            return sum(1 << int(bit) for bit, name in meaning.bits.items() if name in (value or ()))
        if value is None:
            return self.no_data()
        factor, shift = self.factors()
        exactly = (Fraction(value) - shift) / factor
        if self.spot.floating:
            return self._float(exactly, value)
        raw = rounded(exactly, meaning.field)
        if factor < 0:
            raw = -rounded(-exactly, meaning.field)
        return self._nearest(raw, value)

    def _flag(self, value: bool | None) -> int | None:
        meaning = self.meaning
        if value is None and meaning.bit is None and not meaning.field.endswith("_allowed"):
            return self.no_data()
        says = meaning.true if value else meaning.false
        return says[0] << (meaning.bit or 0) if says else None

    def _nearest(self, raw: int, value: int) -> int | None:
        """Return the number nearest to `raw` that the signal holds, on the field's safe side."""
        low, high = self.bounds()
        rising = self.factors()[0] > 0
        safe_is_low = (self.meaning.field in DOWN) == rising
        if self.meaning.field not in (*DOWN, *UP):
            if not low <= raw <= high and self.no_data() is not None:
                return self.no_data()
            raw = min(max(raw, low), high)
        elif safe_is_low:
            raw = min(raw, high)
        else:
            raw = max(raw, low)
        while raw in self.meaning.no_data:
            raw += -1 if safe_is_low else 1
        return raw if low <= raw <= high else None

    def _float(self, exactly: Fraction, value: int) -> int | None:
        """Return floating bits that read back as the value, or on its safe side."""
        read = self._float_reader(-FAR, FAR)
        bits = self.spot.bits_of(exactly)
        if bits is None or self.meaning.field not in (*DOWN, *UP):
            return bits
        for away in range(3):  # a float is within half a step of what was asked
            for other in (bits - away, bits + away):
                back = read(other)
                if isinstance(back, int) and _is_safe(self.meaning.field, back, value):
                    return other
        return None


def _is_safe(name: str, said: int, meant: int) -> bool:
    return said >= meant if name in UP else said <= meant
