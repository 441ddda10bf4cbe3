"""Reading a map file, and what can be wrong with a map as a whole."""

from collections.abc import Iterator
from pathlib import Path

from adapters import meaning
from adapters.meaning import ALARM_SETS, FIELDS, LIST_RANGES, is_bit
from adapters.modbus.maps import Group, RegisterMap, Row, Write, blocks
from adapters.modbus.requests import VALUED, meaning_of
from adapters.modbus.spell import BANK_FLAGS, LIMITS, Unsayable, spelled, unknown
from adapters.registers import BITS, HOLDING, LAST_ADDRESS
from adapters.structure import structured
from adapters.toml_file import Complaint, Place, quoted, raise_if_any, read_toml
from aggregator.fields import VIEW_FIELDS
from aggregator.report import BUS_INTS, REPORT_FLAGS
from aggregator.requests import KINDS

HEARTBEAT, CONSTANT = "heartbeat", "constant"
PACK_FIELDS = (*(name for name in FIELDS if name != "age_ms"), HEARTBEAT)
NUMBERED = ("_mv", "_ma", "_w", "_permille", "_mah", "_no", "_decic", "_ms")
BANK_INTS = tuple(name for name in VIEW_FIELDS if name.endswith(NUMBERED))
BANK_FIELDS = (*BANK_INTS, *BANK_FLAGS, *ALARM_SETS, HEARTBEAT, CONSTANT)
ALWAYS_KNOWN = (*LIMITS, *BANK_FLAGS, *ALARM_SETS, HEARTBEAT, CONSTANT, "capacity_mah",
                "stage_elapsed_ms")  # fmt: skip
HIGHEST_MV = next(high for name, _, high in BUS_INTS if name == "voltage_mv")


def load_map(path: Path) -> RegisterMap:
    """Return the map in a file. Raises BadFileError with every complaint."""
    plain, lines = read_toml(path)
    complaints: list[Complaint] = []
    map_ = structured(plain, RegisterMap, (), complaints)
    if map_ is not None and not complaints:
        complaints += complaints_of(map_)
    raise_if_any(complaints, path, lines)
    assert map_ is not None  # or there were complaints
    return map_


def complaints_of(map_: RegisterMap) -> list[Complaint]:
    """Return everything that cannot be right about a map."""
    found = list(_groups(map_))
    for number, group in enumerate(map_.groups):
        place: Place = ("groups", number)
        for row_number, row in enumerate(group.rows):
            at = (*place, "rows", row_number)
            for one in _row(map_, group, row):
                found.append(one.under(at))
        if not any(one.place[:2] == place for one in found):
            found += [one.under(place) for one in _blocks(map_, group)]
    for number, write in enumerate(map_.writes):
        found += [one.under(("writes", number)) for one in _write(map_, write)]
    if not found:
        found += _twice(map_) if map_.of == "pack" else _overlaps(map_)
    return found


def _groups(map_: RegisterMap) -> Iterator[Complaint]:
    names = [group.name for group in map_.groups]
    if not names and not map_.writes:
        yield Complaint(("groups",), "at least one group", "none")
    for number, name in enumerate(names):
        if name in names[:number]:
            yield Complaint(
                ("groups", number, "name"), "a name of its own", f"{quoted(name)} again"
            )
    if map_.of == "pack" and names and all(group.keep_ms is not None for group in map_.groups):
        yield Complaint(("groups", 0, "keep_ms"), "at least one group without it", "none",
                        "a report is made whenever every group without keep_ms was read")  # fmt: skip
    if map_.of == "pack" and map_.writes:
        yield Complaint(("writes",), 'none in a map of = "pack"', "some")


def _blocks(map_: RegisterMap, group: Group) -> Iterator[Complaint]:
    """Is one request enough?"""
    reads = blocks(group, map_.largest_block)
    if map_.of == "pack" and len(reads) > 1 and not group.split:
        spans = ", ".join(f"{start}..{start + count - 1}" for start, count in reads)
        yield Complaint((), f"registers within {map_.largest_block} of each other", spans,
                        "what is read in several requests is of different moments: say"
                        " split = true if that does not matter, or make it two groups")  # fmt: skip


def _row(map_: RegisterMap, group: Group, row: Row) -> Iterator[Complaint]:
    """What is wrong with one row by itself."""
    wrong = list(meaning.complaints_of(row, PACK_FIELDS if map_.of == "pack" else BANK_FIELDS, ()))
    yield from wrong
    if row.addresses[-1] + row.size - 1 > LAST_ADDRESS:
        yield Complaint(("address",), f"registers up to {LAST_ADDRESS}", str(row.addresses[-1]))
    if row.count > 1 and row.field not in LIST_RANGES:
        yield Complaint(("count",), "1, as this field is no list", str(row.count))
    if row.step and row.step < row.size:
        yield Complaint(("step",), f"at least the {row.size} registers of a number", str(row.step))
    if group.function in BITS and (row.size > 1 or map_.of == "bank"):
        yield Complaint(("type",), "registers (function 3 or 4)", f"function {group.function}",
                        "coils and discrete inputs are single bits, and can only be read")  # fmt: skip
    yield from _bits(row)
    if map_.of == "bank" and not wrong:
        yield from _sayable(map_, row)


def _bits(row: Row) -> Iterator[Complaint]:
    """Do its single bits lie in its registers?"""
    width = 0 if row.type == "f32" else 16 * row.size
    used = [int(bit) for bit in row.bits if is_bit(bit)]
    if row.bit is not None:
        used.append(row.bit)
        if row.field not in (*REPORT_FLAGS, *BANK_FLAGS):
            yield Complaint(("bit",), "a yes/no field", row.field)
    if row.bits and row.field not in ALARM_SETS:
        yield Complaint(("bits",), "warnings or protections", row.field)
    if used and max(used) >= width:
        yield Complaint(("type",), "a whole number that has these bits", row.type)


def _sayable(map_: RegisterMap, row: Row) -> Iterator[Complaint]:
    """Can this register say what it may have to say?"""
    layout = map_.layout(row)
    for number in row.no_data:
        if layout.type != "f32" and (
            number != int(number) or not layout.lowest <= number <= layout.highest
        ):
            yield Complaint(("no_data",), f"whole numbers that fit into {row.type}", str(number))
            return
    if row.field not in ALWAYS_KNOWN:
        try:
            unknown(row, layout)
        except Unsayable:
            yield Complaint(("no_data",), f"a number for when {row.field} is unknown", "none")
    if row.field in LIMITS:
        for safe in (HIGHEST_MV,) if row.field == "discharge_voltage_limit_mv" else (0,):
            try:
                spelled(row, layout, safe)
            except Unsayable as error:
                yield Complaint(("type",), f"a type that carries {safe}", str(error),
                                "a limit must be able to ask for the least")  # fmt: skip
    if row.field == CONSTANT and not layout.lowest <= row.constant <= layout.highest:
        yield Complaint(("constant",), f"a number that fits into {row.type}", str(row.constant))


def _write(map_: RegisterMap, write: Write) -> Iterator[Complaint]:
    row = next((row for row in KINDS if row[0] == write.request), None)
    if row is None or (row[3] is not None and write.request not in VALUED):
        known = [row[0] for row in KINDS if row[3] is None or row[0] in VALUED]
        yield Complaint(("request",), "one of " + ", ".join(known), quoted(write.request))
        return
    _, _, needs_pack, low, _, may_run_out = row
    if needs_pack != (write.pack is not None):
        yield Complaint(("pack",), "a pack's name" if needs_pack else "none", str(write.pack))
    if write.lasts_ms is not None and not may_run_out:
        yield Complaint(("lasts_ms",), "none: this does not run out by itself", str(write.lasts_ms))
    if low is not None:
        yield from meaning.complaints_of(meaning_of(write), tuple(VALUED.values()), ())


def _twice(map_: RegisterMap) -> Iterator[Complaint]:
    """A field of a pack stands in one row; a list's elements in one each; alarms in one group."""
    seen: dict[tuple[str, int], int] = {}
    for number, group in enumerate(map_.groups):
        for row_number, row in enumerate(group.rows):
            listed = row.field in LIST_RANGES
            first = (row.number or 1) if listed else 0
            keys = [(row.field, first + element) for element in range(row.count)]
            shared = row.field in ALARM_SETS
            if any(key in seen and not (shared and seen[key] == number) for key in keys):
                place = ("groups", number, "rows", row_number, "field")
                hint = "number = 9 for a list that goes on with its ninth" if listed else ""
                yield Complaint(place, "a field that stands in one place", row.field, hint)
            seen.update(dict.fromkeys(keys, number))


def _overlaps(map_: RegisterMap) -> Iterator[Complaint]:
    """Two numbers of a bank's map cannot stand in the same register, but for single bits."""
    taken: dict[tuple[int, int], bool] = {}
    for number, group in enumerate(map_.groups):
        for row_number, row in enumerate(group.rows):
            bits = row.bit is not None or row.field in ALARM_SETS
            for address in range(row.address, row.address + row.size):
                key = (group.function, address)
                if key in taken and not (bits and taken[key]):
                    place = ("groups", number, "rows", row_number, "address")
                    yield Complaint(place, "a register of its own", f"{address} again")
                taken[key] = bits
    for number, write in enumerate(map_.writes):
        for address in range(write.address, write.address + map_.layout(write).size):
            if (HOLDING, address) in taken:
                yield Complaint(("writes", number, "address"), "a register of its own", f"{address} again")  # fmt: skip
            taken[(HOLDING, address)] = False
