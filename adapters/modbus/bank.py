"""The bank in registers of the owner's choice, as words: each limit on its safe side.

What a current limit rounds to and the permission go together: a limit of 0 says "not allowed", and
"not allowed" makes every such limit 0. If a register cannot carry a limit on its safe side, nothing
is said at all (`Unsayable`).
"""

from collections.abc import Mapping
from typing import Any

from adapters.modbus.checks import CONSTANT, HEARTBEAT
from adapters.modbus.maps import RegisterMap, Row
from adapters.modbus.spell import number_in, spelled, told
from adapters.registers import Layout
from aggregator import SystemView

CURRENTS = {
    "charge_current_limit_ma": "charge_allowed",
    "discharge_current_limit_ma": "discharge_allowed",
}
BEATS = 0x8000  # a heartbeat fits into every type


class Speller:
    """A bank's map, made ready to spell views: group -> address -> word."""

    def __init__(self, map_: RegisterMap) -> None:
        map_.is_of("bank")
        self.groups = {
            group.name: [(row, map_.layout(row)) for row in group.rows] for group in map_.groups
        }
        self._currents: dict[str, list[tuple[Row, Layout]]] = {name: [] for name in CURRENTS}
        for rows in self.groups.values():
            for row, layout in rows:
                if row.field in CURRENTS:
                    self._currents[row.field].append((row, layout))

    def says(self, view: SystemView, silent: bool, beat: int) -> dict[str, dict[int, int]]:
        """Return the words of every group. `silent`: no current is allowed. Raises Unsayable."""
        override: dict[str, Any] = {HEARTBEAT: beat % BEATS}
        for limit, permission in CURRENTS.items():
            allowed = getattr(view, permission) is True and not silent
            if not allowed or self._vanishes(limit, getattr(view, limit)):
                override[limit], override[permission] = 0, False
        return {name: self._words(rows, view, override) for name, rows in self.groups.items()}

    def _vanishes(self, limit: str, value: int) -> bool:
        """Does any register show this limit as nothing, once it is rounded?"""
        for row, layout in self._currents[limit]:
            shown = told(row, number_in(layout, spelled(row, layout, value)))
            if not isinstance(shown, int) or shown <= 0:
                return True
        return value <= 0

    def _words(
        self, rows: list[tuple[Row, Layout]], view: SystemView, override: Mapping[str, Any]
    ) -> dict[int, int]:
        table: dict[int, int] = {}
        for row, layout in rows:
            if row.field == CONSTANT:
                number = row.constant
            else:
                name = row.field
                value = override[name] if name in override else getattr(view, name)
                number = value if name == HEARTBEAT else spelled(row, layout, value)
            for address, word in enumerate(layout.words(number), row.address):
                table[address] = table.get(address, 0) | word
        return table


def read_bank(map_: RegisterMap, tables: Mapping[int, Mapping[int, int]]) -> dict[str, object]:
    """Return what a charger reads out of a bank's registers, by field: the other side, for tests and
    simulations. Fields whose registers are missing are left out."""
    said: dict[str, object] = {}
    for group in map_.groups:
        table = tables.get(group.function, {})
        for row in group.rows:
            layout = map_.layout(row)
            addresses = range(row.address, row.address + layout.size)
            if row.field == CONSTANT or any(at not in table for at in addresses):
                continue
            number = layout.number([table[at] for at in addresses])
            said[row.field] = number if row.field == HEARTBEAT else told(row, number)
    return said
