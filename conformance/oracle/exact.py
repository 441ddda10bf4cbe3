"""Exact numbers: integers where they are whole, which is nearly always and is quick, else fractions."""

from fractions import Fraction

Exact = int | Fraction


def ratio(above: int, below: int) -> Exact:
    """Return a quotient as it is."""
    return Fraction(above, below) if above % below else above // below


def whole(value: Exact) -> Exact:
    """Return a number as an integer if it is one."""
    return value.numerator if value.denominator == 1 else value
