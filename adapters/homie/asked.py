"""What may be asked for: the properties that can be set, each a wish with bounds, for a time.

A wish only ever narrows. Commands that widen and declarations of who is on the bus are not offered
here: anybody on the broker could send them.
"""

from collections.abc import Sequence
from fractions import Fraction
from math import ceil, floor

from attrs import frozen

from adapters.homie.convention import BadValueError, Property, parsed
from aggregator import Request
from aggregator.requests import KINDS, row_of


@frozen
class Ask:
    """A property that asks. `per_unit`: the core's steps in the property's unit; 0: yes or no."""

    about: Property
    kind: str
    per_unit: int = 0

    @property
    def runs_out(self) -> bool:
        """May such a wish run out? The others hold until cleared."""
        row = row_of(self.kind)
        return row is not None and row[5]


def _number(one: str, name: str, kind: str, per_unit: int, unit: str) -> Ask:
    low, high = next((row[3] or 0, row[4] or 0) for row in KINDS if row[0] == kind)
    form = f"{Fraction(low, per_unit)}:{Fraction(high, per_unit)}"
    datatype = "integer" if per_unit == 1 else "float"
    return Ask(Property("asked", one, name, datatype, unit, form, True, False), kind, per_unit)


def _yes(one: str, name: str, kind: str) -> Ask:
    return Ask(Property("asked", one, name, "boolean", settable=True, retained=False), kind)


BANK_ASKS = (
    _number("charge-current", "Charge with at most", "cap_charge_current", 1_000, "A"),
    _number("discharge-current", "Discharge with at most", "cap_discharge_current", 1_000, "A"),
    _number("charge-voltage", "Charge up to", "cap_charge_voltage", 1_000, "V"),
    _number("top-charge", "Charge no further than", "top_soc_permille", 10, "%"),
    _number("reserve-charge", "Discharge no further than", "reserve_soc_permille", 10, "%"),
    _number("full-every", "A full charge every so many days", "full_charge_every_days", 1, "d"),
    _yes("stop-charge", "Stop charging until cleared", "stop_charge"),
    _yes("stop-discharge", "Stop discharging until cleared", "stop_discharge"),
)
CLEAR = Property(
    "asked", "clear", "Take back what was asked for", "enum",
    format=",".join(ask.about.id for ask in BANK_ASKS), settable=True, retained=False,
)  # fmt: skip
PACK_ASKS = (_yes("withhold", "Leave this pack out of the sums", "withhold_pack"),)


def asking(asks: Sequence[Ask]) -> list[Property]:
    """Return the properties of asks, with what takes them back where yes and no cannot."""
    found = [ask.about for ask in asks]
    return [*found, CLEAR] if any(ask.per_unit for ask in asks) else found


def request_of(
    one: Property, asks: Sequence[Ask], pack: str | None, payload: bytes, source: str, lasts_ms: int
) -> Request:
    """Return what a payload asks for. Raises BadValueError: it is no value of the property.

    Numbers that lie between two of the core's steps become the stricter one.
    """
    value = parsed(one, payload)
    if one == CLEAR:
        kind = next(ask.kind for ask in asks if ask.about.id == value)
        return Request("clear", source=source, field=kind)
    ask = next(ask for ask in asks if ask.about == one)
    lasts = lasts_ms if ask.runs_out else None
    if ask.per_unit:
        if isinstance(value, str):
            raise BadValueError("a number")
        exactly = Fraction(repr(value)) * ask.per_unit
        steps = ceil(exactly) if ask.kind == "reserve_soc_permille" else floor(exactly)
        return Request(ask.kind, value=steps, lasts_ms=lasts, source=source)
    if value is True:
        return Request(ask.kind, pack=pack, lasts_ms=lasts, source=source)
    return Request("clear", pack=pack, source=source, field=ask.kind)
