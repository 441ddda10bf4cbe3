"""What the flags of STATUS_6 stop, and which alarms they stand for (RV-C-2023, 6.5.7). Board-safe."""

from adapters.rvc.frames import YES
from adapters.rvc.statuses import (
    HIGH_CURRENT,
    HIGH_CURRENT_OFF,
    HIGH_TEMPERATURE,
    HIGH_TEMPERATURE_OFF,
    HIGH_VOLTAGE,
    HIGH_VOLTAGE_OFF,
    LOW_CHARGE,
    LOW_CHARGE_OFF,
    LOW_TEMPERATURE,
    LOW_TEMPERATURE_OFF,
    LOW_VOLTAGE,
    LOW_VOLTAGE_OFF,
    get_6,
)

# Flags that stop charging, discharging, and either; and the alarm that each stands for, by the
# direction of the current: charge, discharge.
STOP_CHARGE = (HIGH_VOLTAGE, HIGH_VOLTAGE_OFF)
STOP_DISCHARGE = (LOW_VOLTAGE, LOW_VOLTAGE_OFF, LOW_CHARGE, LOW_CHARGE_OFF)
STOP_EITHER = (
    LOW_TEMPERATURE,
    LOW_TEMPERATURE_OFF,
    HIGH_TEMPERATURE,
    HIGH_TEMPERATURE_OFF,
    HIGH_CURRENT,
    HIGH_CURRENT_OFF,
)
LIMITS = (
    (HIGH_VOLTAGE, "pack_over_voltage", "pack_over_voltage"),
    (LOW_VOLTAGE, "pack_under_voltage", "pack_under_voltage"),
    (LOW_TEMPERATURE, "charge_under_temperature", "discharge_under_temperature"),
    (HIGH_TEMPERATURE, "charge_over_temperature", "discharge_over_temperature"),
    (HIGH_CURRENT, "charge_over_current", "discharge_over_current"),
)
DISCONNECTS = (
    (HIGH_VOLTAGE_OFF, "pack_over_voltage", "pack_over_voltage"),
    (LOW_VOLTAGE_OFF, "pack_under_voltage", "pack_under_voltage"),
    (LOW_TEMPERATURE_OFF, "charge_under_temperature", "discharge_under_temperature"),
    (HIGH_TEMPERATURE_OFF, "charge_over_temperature", "discharge_over_temperature"),
    (HIGH_CURRENT_OFF, "charge_over_current", "discharge_over_current"),
)


def any_of(data: bytearray, places: tuple[tuple[int, int], ...]) -> bool:
    """Is one of these flags set?"""
    for place in places:
        if get_6(data, place) == YES:
            return True
    return False


def alarms_of(
    data: bytearray,
    table: tuple[tuple[tuple[int, int], str, str], ...],
    charge: bool,
    into: list[str],
) -> list[str]:
    """Fill `into` with the names of the alarms that are flagged."""
    while into:
        into.pop()
    for place, charging, discharging in table:
        if get_6(data, place) == YES:
            into.append(charging if charge else discharging)
    return into
