"""The data bytes of each DC source status (RV-C-2023, Tables 6.5.2 to 6.5.14). Board-safe.

`put_...` write bytes 2 to 7 of `data`; bytes 0 and 1 hold the DC instance and the source's priority
in all of them. Reading is in pack.py and charger.py, by the same scales.
"""

from adapters.rvc.frames import UNKNOWN, put_16
from adapters.rvc.scales import (
    amp_hours_down,
    amps_down,
    degrees_near,
    half_percent_down,
    put_current,
    volts_down,
    volts_near,
    watts_near,
)

# Desired charge states (STATUS_4).
UNDEFINED, DO_NOT_CHARGE, GOALS = 0, 1, 7
LITHIUM_IRON_PHOSPHATE = 3
TO_EMPTY = 0xFF

# STATUS_6: byte and lowest bit of each flag.
HIGH_VOLTAGE, HIGH_VOLTAGE_OFF = (2, 0), (2, 2)
LOW_VOLTAGE, LOW_VOLTAGE_OFF = (2, 4), (2, 6)
LOW_CHARGE, LOW_CHARGE_OFF = (3, 0), (3, 2)
LOW_TEMPERATURE, LOW_TEMPERATURE_OFF = (3, 4), (3, 6)
HIGH_TEMPERATURE, HIGH_TEMPERATURE_OFF = (4, 0), (4, 2)
HIGH_CURRENT, HIGH_CURRENT_OFF = (4, 4), (4, 6)


def put_1(data: bytearray, voltage_mv: int | None, current_ma: int | None) -> None:
    """Voltage and current; `current_ma` is positive into the source, as in the core."""
    put_16(data, 2, volts_near(voltage_mv))
    put_current(data, 4, current_ma)


def put_2(data: bytearray, temperature_decic: int | None, soc_permille: int | None) -> None:
    """Temperature and state of charge of the capacity as designed; time remaining is not told."""
    put_16(data, 2, degrees_near(temperature_decic))
    data[4] = half_percent_down(soc_permille)
    put_16(data, 5, 0xFFFF)
    data[7] = TO_EMPTY


def put_3(
    data: bytearray, soh_permille: int | None, remaining_mah: int | None, full_permille: int | None
) -> None:
    """State of health, charge left, and its share of the capacity that there still is."""
    data[2] = half_percent_down(soh_permille)
    put_16(data, 3, amp_hours_down(remaining_mah))
    data[5] = half_percent_down(full_permille)
    put_16(data, 6, 0xFFFF)


def put_4(data: bytearray, allowed: bool, limit_mv: int | None, limit_ma: int | None) -> None:
    """What chargers are to do: goals, or "do not charge". A goal that is 0 on the bus forbids."""
    volts, amps = volts_down(limit_mv), amps_down(limit_ma)
    if not allowed or limit_mv is None or limit_ma is None or volts == 0 or limit_ma < 50:
        data[2] = DO_NOT_CHARGE
        volts = amps = 0xFFFF
    else:
        data[2] = GOALS
    put_16(data, 3, volts)
    put_16(data, 5, amps)
    data[7] = 0xF0 | LITHIUM_IRON_PHOSPHATE


def put_5(data: bytearray, voltage_mv: int | None) -> None:
    """The voltage to 1 mV."""
    for at in range(2, 8):
        data[at] = 0xFF
    if voltage_mv is not None:
        put_16(data, 2, voltage_mv & 0xFFFF)
        put_16(data, 4, voltage_mv >> 16)


def clear_6(data: bytearray, value: int) -> None:
    """Set every flag of STATUS_6 to `value`."""
    for at in range(2, 5):
        data[at] = value * 0x55
    for at in range(5, 8):
        data[at] = 0xFF


def set_6(data: bytearray, place: tuple[int, int], value: int) -> None:
    """Set one flag of STATUS_6."""
    at, bit = place
    data[at] = data[at] & ~(3 << bit) & 0xFF | value << bit


def get_6(data: bytes | bytearray, place: tuple[int, int]) -> int:
    """Return one flag of STATUS_6."""
    return data[place[0]] >> place[1] & 3


def put_11(
    data: bytearray,
    discharge: int,
    charge: int,
    charging: int,
    capacity_mah: int | None,
    power_w: int | None,
    reserve: int = UNKNOWN,
) -> None:
    """Are the buses for discharge and charge connected, does charge flow in, is the reserve reached
    (two-bit flags); capacity as designed; power, whichever way."""
    data[2] = discharge | charge << 2 | charging << 4 | reserve << 6
    put_16(data, 3, amp_hours_down(capacity_mah))
    put_16(data, 5, watts_near(power_w))
    data[7] = 0xFF


def put_13(data: bytearray, lowest_mv: int | None, highest_mv: int | None) -> None:
    """The lowest and the highest voltage so far."""
    put_16(data, 2, volts_near(lowest_mv))
    put_16(data, 4, volts_near(highest_mv))
    put_16(data, 6, 0xFFFF)
