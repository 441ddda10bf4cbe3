"""What does not change while we run, and the scale factors that follow from it: chosen once, kept."""

from functools import cached_property

from attrs import frozen

# Which way A and W flow when positive. The machine-readable models do not say; the generator's view
# of the other models suggests "out of the battery" (from memory). Check it on your inverter.
POSITIVE = "discharge"

U16, I16 = 0xFFFE, 0x7FFF  # the highest numbers that do not say "not implemented"
MILLI = -3  # the core counts in thousandths


@frozen(kw_only=True)
class Ratings:
    """The bank as new, and how it is called."""

    capacity_mah: int
    energy_wh: int
    charge_ma: int  # the most the bank may ever take
    discharge_ma: int  # the most it may ever give
    voltage_mv: int  # the highest charge voltage
    maker: str = "packyoke"
    model: str = "bank of packs"
    version: str = ""
    serial_number: str = "1"
    positive: str = POSITIVE

    @cached_property
    def currents(self) -> int:
        """Scale factor of all currents: the finest, from 0.01 A, at which twice the most fits."""
        return finest(2 * max(self.charge_ma, self.discharge_ma), MILLI, I16, -2)

    @cached_property
    def powers(self) -> int:
        """Scale factor of all powers, from 1 W."""
        return finest(2 * self.power_w(max(self.charge_ma, self.discharge_ma)), 0, I16, 0)

    @cached_property
    def charges(self) -> int:
        """Scale factor of the rated capacity, from 0.1 Ah."""
        return finest(self.capacity_mah, MILLI, U16, -1)

    @cached_property
    def energies(self) -> int:
        """Scale factor of energies, from 1 Wh."""
        return finest(self.energy_wh, 0, U16, 0)

    @property
    def sign(self) -> int:
        """What turns our currents, positive into the packs, into those of the models."""
        return -1 if self.positive == "discharge" else 1

    def power_w(self, current_ma: int) -> int:
        """Return the power of a current at the highest voltage, rounded down."""
        return current_ma * self.voltage_mv // 1_000_000


def finest(most: int, exponent: int, highest: int, least: int) -> int:
    """Return the smallest scale factor from `least` on at which `most` · 10^exponent is not above
    `highest`."""
    scale = least
    while divided(most, exponent, scale, 0) > highest:
        scale += 1
    return scale


def divided(value: int, exponent: int, scale: int, side: int) -> int:
    """Return `value` · 10^exponent in units of 10^scale; `side`: -1 rounds down, 1 up, 0 to the
    nearest."""
    over: int = value * 10 ** max(0, exponent - scale)
    by: int = 10 ** max(0, scale - exponent)
    return over // by if side < 0 else -(-over // by) if side > 0 else (2 * over + by) // (2 * by)


def limit(value: int, exponent: int, scale: int) -> int:
    """Return a limit as a raw number, rounded down and cut off: never more than it is."""
    return max(0, min(U16, divided(value, exponent, scale, -1)))


def unsigned(value: int | None, exponent: int, scale: int, side: int = 0) -> int | None:
    """Return a raw number for an unsigned point; None where it is unknown or does not fit."""
    raw = None if value is None else divided(value, exponent, scale, side)
    return raw if raw is not None and 0 <= raw <= U16 else None


def signed(value: int | None, exponent: int, scale: int, sign: int) -> int | None:
    """Return a raw number for a signed point, times `sign`; None where it is unknown or too large."""
    raw = None if value is None else divided(sign * value, exponent, scale, 0)
    return raw if raw is not None and abs(raw) <= I16 else None
