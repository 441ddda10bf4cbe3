"""What a DBC map's rows must be, beyond their types: names, units, elements, and what may be telemetry."""

from attrs import evolve

from adapters.can.map_rows import MapFile, SignalRow
from adapters.can.numbers import LIMITS
from adapters.meaning import ALARM_SETS, FIELDS, LIST_RANGES, UNITS, Meaning
from adapters.toml_file import Complaint, Place, quoted
from aggregator.fields import VIEW_FIELDS
from aggregator.report import MOST_CELLS

# How DBCs write the units that maps know.
WRITTEN = {"degC": "°C", "deg C": "°C", "C": "°C", "°C": "°C", "pct": "%", "percent": "%"}
CORE_UNITS = tuple({"_" + core for core, _, _ in UNITS.values()})
STAGES = ("bulk", "absorption", "float", "paused")
PERMISSIONS = ("charge_allowed", "discharge_allowed")
# Numbers of the view that a frame may carry, and those of a pack's report.
VIEW_NUMBERS = tuple(
    name for name in VIEW_FIELDS if name.endswith(CORE_UNITS) or name in (*PERMISSIONS, *ALARM_SETS)
)
KNOWN = (*FIELDS, *(name for name in VIEW_NUMBERS if name not in FIELDS))


def with_unit(
    row: SignalRow, written: str | None, place: Place, complaints: list[Complaint]
) -> Meaning:
    """Return the row with the DBC's unit, where it says none itself; complain if there is none."""
    if row.unit is not None or not row.field.endswith(CORE_UNITS):
        return row
    unit = WRITTEN.get(written or "", written or "")
    fitting = [one for one in UNITS if row.field.endswith("_" + UNITS[one][0])]
    if unit in fitting:
        return evolve(row, unit=unit)
    got = f"{quoted(written)}, which the DBC says" if written else "nothing"
    hint = "say the unit here" if written else "the DBC has none"
    complaints.append(Complaint((*place, "unit"), "one of " + ", ".join(fitting), got, hint))
    return row


def check_rows(rows: MapFile, complaints: list[Complaint]) -> dict[str, int]:
    """Complain of what the rows say together; return how many elements each list has."""
    if not rows.messages:
        complaints.append(Complaint(("messages",), "at least one message", "none"))
    if all(row.keep_ms is not None for row in rows.messages):
        complaints.append(
            Complaint(("messages",), "at least one message without keep_ms", "only slow ones")
        )
    seen: set[tuple[str, int | None]] = set()
    elements: dict[str, list[int]] = {}
    for number, message in enumerate(rows.messages):
        place: Place = ("messages", number)
        for at, row in enumerate(message.signals):
            here = (*place, "signals", at)
            if row.field in LIST_RANGES:
                elements.setdefault(row.field, []).append(row.number or 0)
            if (row.field, row.number) in seen and row.field not in ALARM_SETS:
                complaints.append(
                    Complaint((*here, "field"), "each field once", f"{quoted(row.field)} again")
                )
            seen.add((row.field, row.number))
            if message.telemetry and row.field in (*LIMITS, *PERMISSIONS):
                hint = "chargers obey limits: leave telemetry out"
                told = f"one that tells {row.field}"
                complaints.append(
                    Complaint((*place, "telemetry"), "a message without limits", told, hint)
                )
        for at, code in enumerate(message.codes):
            if set(code.codes) != set(STAGES) or not all(
                type(one) is int for one in code.codes.values()
            ):
                complaints.append(
                    Complaint(
                        (*place, "codes", at, "codes"),
                        "a whole number for each of " + ", ".join(STAGES),
                        str(sorted(code.codes)),
                    )
                )
    for name, numbers in elements.items():
        if sorted(numbers) != list(range(1, len(numbers) + 1)) or len(numbers) > MOST_CELLS:
            complaints.append(
                Complaint(
                    ("messages",),
                    f"{name} with numbers 1, 2, 3 and so on, at most {MOST_CELLS}",
                    str(sorted(numbers)),
                )
            )
    return {name: len(numbers) for name, numbers in elements.items()}
