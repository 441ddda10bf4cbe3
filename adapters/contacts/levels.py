"""A view to levels of contacts. Board-safe.

True closes a contact and means "may"; False opens it, as does a lost supply, a broken wire or a
gateway that is gone. A contact opens at once, and then stays open for a while: relays and chargers
do not like to be switched back and forth. It starts open.
"""

from adapters.counts import Counts
from aggregator.ticks import since
from aggregator.view import SystemView

CHARGE, DISCHARGE, LOADS = "charge", "discharge", "loads"
CONTACTS = (CHARGE, DISCHARGE, LOADS)
REPEAT_MS = (
    1_000  # each level is said again so often: who drives the contacts may open them without
)
SHED_FINDING = "load_above_limit"


def may_charge(view: SystemView) -> bool:
    """May chargers charge?"""
    return view.charge_allowed and view.charge_current_limit_ma > 0


def may_discharge(view: SystemView) -> bool:
    """May inverters discharge?"""
    return view.discharge_allowed and view.discharge_current_limit_ma > 0


def loads_may_stay(view: SystemView) -> bool:
    """May loads that can be done without stay on? Not if they draw more than the limit."""
    if not may_discharge(view):
        return False
    for finding in view.findings:
        if finding.name == SHED_FINDING:
            return False
    return True


RULES = (may_charge, may_discharge, loads_may_stay)  # in the order of CONTACTS


class Contacts:
    """Says the levels: items are (name, level), names from CONTACTS.

    `rest_ms`: how long charge and discharge stay open at least, once open; `shed_ms`: likewise for
    the loads.
    """

    def __init__(self, rest_ms: int = 10_000, shed_ms: int = 300_000) -> None:
        self.counts = Counts()
        self._rest_ms = (rest_ms, rest_ms, shed_ms)
        self._levels = [False, False, False]
        self._opened_ms: list[int | None] = [None, None, None]  # since when open, until rested
        self._said_ms: list[int | None] = [None, None, None]
        self._started = False
        self._items: list[tuple[str, bool]] = []  # used again

    def opened(self, now_ms: int) -> None:
        """All contacts are open."""
        self._started = True
        for number in range(len(CONTACTS)):
            self._levels[number] = False
            self._opened_ms[number] = now_ms
            self._said_ms[number] = None

    def received(self, item: object, now_ms: int) -> list[object]:
        """Contacts tell nothing."""
        return []

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> list[tuple[str, bool]]:
        """Return the levels that changed, or were not said for a second. Without `may_speak`: open."""
        if not self._started:
            self.opened(now_ms)
        items = self._items
        while items:
            items.pop()
        for number in range(len(CONTACTS)):
            level = self._level(number, may_speak and RULES[number](view), now_ms)
            said_ms = self._said_ms[number]
            changed = level != self._levels[number] or said_ms is None
            if changed or not 0 <= since(now_ms, said_ms or 0) < REPEAT_MS:
                self._levels[number] = level
                self._said_ms[number] = now_ms
                items.append((CONTACTS[number], level))
        return items

    def _level(self, number: int, may: bool, now_ms: int) -> bool:
        """Return the level of a contact: open at once, closed only when it has rested."""
        if not may:
            if self._levels[number] or self._opened_ms[number] is None:
                self._opened_ms[number] = now_ms
            return False
        opened_ms = self._opened_ms[number]
        if opened_ms is not None and 0 <= since(now_ms, opened_ms) < self._rest_ms[number]:
            return False
        self._opened_ms[number] = None
        return True
