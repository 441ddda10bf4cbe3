"""How chargers listen, one function for each way of speaking to one."""

from collections.abc import Mapping
from typing import Any

from attrs import frozen

from adapters.cli.rig import ears
from adapters.gateway.kind import Surroundings


@frozen(kw_only=True)
class ListensLines:
    """`[[links.listens]] as = "json-lines"`: nothing to set."""


@frozen(kw_only=True)
class ListensRvc:
    """`[[links.listens]] as = "rv-c"`: a charger of this DC instance."""

    instance: int = 1


@frozen(kw_only=True)
class ListensSunSpec:
    """`[[links.listens]] as = "sunspec"`: reads the chain of models."""

    device: int = 1
    base: int = 40_000  # where the chain begins


def dbc(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.can.map_file import load_map
    from adapters.can.says import DbcChargerSide

    rows = load_map(around.folder / chosen.map)
    side = DbcChargerSide(chosen, rows)

    def read(item: Any) -> Mapping[str, Any]:
        side.fields.clear()
        side.received(item)
        return side.fields

    return ears.Listens([one.number.meaning.field for one in rows.fields()], read)


def rvc(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.rvc.charger import RvcCharger

    return ears.RvcEar(RvcCharger(chosen.instance, ears.OWN_MV, ears.OWN_MA))


def polled(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.modbus import load_map
    from adapters.modbus.bank import read_bank
    from adapters.modbus.maps import blocks

    rows = load_map(around.folder / chosen.map)
    all_blocks = [
        (group.function, address, count)
        for group in rows.groups
        for address, count in blocks(group, rows.largest_block)
    ]

    def next_block(words: dict[tuple[int, int], int]) -> tuple[int, int, int] | None:
        left = [block for block in all_blocks if block[:2] not in words]
        return left[0] if left else None

    def read(words: dict[tuple[int, int], int], _: int) -> Mapping[str, Any]:
        return read_bank(rows, tables(words))

    return ears.Polls(_fields(rows), chosen.device, next_block, read)


def written(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.modbus import load_map
    from adapters.modbus.bank import read_bank

    rows = load_map(around.folder / chosen.map)
    addresses = frozenset(
        at
        for group in rows.groups
        for row in group.rows
        for at in range(row.address, row.address + row.size)
    )

    def read(words: dict[tuple[int, int], int]) -> Mapping[str, Any]:
        return read_bank(rows, tables(words))

    return ears.IsWritten(_fields(rows), chosen.device, addresses, read)


def _fields(rows: Any) -> list[str]:
    return [row.field for group in rows.groups for row in group.rows]


def tables(words: dict[tuple[int, int], int]) -> dict[int, dict[int, int]]:
    """Return words by function and address."""
    found: dict[int, dict[int, int]] = {}
    for (function, address), word in words.items():
        found.setdefault(function, {})[address] = word
    return found


def sunspec(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.registers import HOLDING
    from adapters.sunspec.reading import Reader, next_block

    reader = Reader()

    def chain(words: dict[tuple[int, int], int]) -> list[int]:
        return [word for _, word in sorted(words.items())]

    def block(words: dict[tuple[int, int], int]) -> tuple[int, int, int] | None:
        wanted = next_block(chain(words), ears.BLOCK)
        return None if wanted is None else (HOLDING, chosen.base + wanted[0], wanted[1])

    def read(words: dict[tuple[int, int], int], now_ms: int) -> Mapping[str, Any]:
        orders = reader.orders(chain(words), now_ms)
        return {
            "charge_current_limit_ma": orders.charge_current_ma,
            "discharge_current_limit_ma": orders.discharge_current_ma,
            "charge_voltage_limit_mv": orders.charge_voltage_mv,
            "discharge_voltage_limit_mv": orders.discharge_voltage_mv,
            "charge_allowed": orders.charge_current_ma > 0,
            "discharge_allowed": orders.discharge_current_ma > 0,
        }

    return ears.Polls(ears.FIELDS, chosen.device, block, read)


def homie(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.homie.reader import HomieReader

    return ears.HomieEar(HomieReader(chosen))


def lines(chosen: Any, around: Surroundings) -> ears.Ear:
    from adapters.jsonlines.opposite import ViewReader

    reader = ViewReader()

    def read(item: Any) -> Mapping[str, Any]:
        return next(iter(reader.views(item)[-1:]), {})

    return ears.Listens(ears.FIELDS, read)
