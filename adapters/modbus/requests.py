"""What somebody writes into a register, as a request of the owner's."""

from math import isfinite

from adapters.meaning import Meaning
from adapters.modbus.maps import Write
from adapters.modbus.spell import told
from aggregator import Request
from aggregator.requests import KINDS, WISH

# Requests with a value: the field whose unit and rounding it has.
VALUED = {
    "cap_charge_current": "charge_current_limit_ma",
    "cap_discharge_current": "discharge_current_limit_ma",
    "cap_charge_voltage": "charge_voltage_limit_mv",
    "top_soc_permille": "soc_permille",
    "reserve_soc_permille": "soc_permille",
}
WISHES = [row[0] for row in KINDS if row[1] == WISH]
BOUNDS = {row[0]: (row[3], row[4]) for row in KINDS if row[3] is not None and row[4] is not None}


def meaning_of(write: Write) -> Meaning:
    """Return how the number of a request with a value is read."""
    return Meaning(
        field=VALUED[write.request], unit=write.unit, scale=write.scale, offset=write.offset,
        no_data=write.no_data,
    )  # fmt: skip


def asked(write: Write, number: int | float, source: str) -> Request | None:
    """Return what writing `number` asks for, or None: nothing. A wish that is taken back is
    cleared. `source`: who asks, for the request."""
    if write.request in VALUED:
        value = told(meaning_of(write), number) if isfinite(number) else None
        low, high = BOUNDS[write.request]
        if isinstance(value, int) and low <= value <= high:
            return Request(write.request, None, value, write.lasts_ms, source)
        return _cleared(write, source) if number in write.no_data else None
    if number in write.true:
        return Request(write.request, write.pack, None, write.lasts_ms, source)
    return _cleared(write, source) if number in write.false else None


def _cleared(write: Write, source: str) -> Request | None:
    if write.request not in WISHES:
        return None  # a command is not taken back
    return Request("clear", write.pack, None, None, source, write.request)
