"""A view, and what each pack reads, as a whole chain of SunSpec models: pure, no state, no bus."""

from adapters.readings import Readings
from adapters.sunspec import battery
from adapters.sunspec.battery import Controls
from adapters.sunspec.models import BATTERY, COMMON, END, MARKER, STORED, STRINGS
from adapters.sunspec.ratings import Ratings
from adapters.sunspec.strings import bank_values, stored_values, string_values
from aggregator import SystemView


def image(
    view: SystemView, readings: Readings, ratings: Ratings, controls: Controls, silent: bool
) -> list[int]:
    """Return the registers from the marker to the end. `silent`: we may not speak, so no current is
    allowed, and a communication error is told."""
    packs = view.packs
    strings = [string_values(row, readings.now(row), ratings) for row in packs]
    whole = battery.values(view, packs, ratings, controls, silent)
    who = {
        "Mn": ratings.maker,
        "Md": ratings.model,
        "Vr": ratings.version,
        "SN": ratings.serial_number,
    }
    return [
        *MARKER,
        *COMMON.words(who),
        *BATTERY.words(whole),
        *STRINGS.words(bank_values(view, packs, ratings), strings),
        *STORED.words(stored_values(view, ratings, whole["State"])),
        *END,
    ]


# Where model 802 begins, counted from the marker.
BATTERY_AT = len(MARKER) + COMMON.length() + 2
