"""Claiming an address: what every device of the network does before it speaks (SAE J1939-81, from memory;
the fields of the name: CANBOAT).

The lower name wins an address. Who loses takes the next one that nobody has claimed; who wins says
so again. For a moment after a claim nothing else is sent, so that others can object.
"""

from adapters.nmea2000.packets import EVERYBODY, Frame, identifier
from aggregator.ticks import since

ADDRESS_CLAIM = 60_928
SETTLE_MS = 250
HIGHEST_ADDRESS = 251
NOBODY = 254  # the address of who has none
BATTERY, GENERATION, MARINE = 170, 35, 4  # function, class, industry


def name_of(manufacturer_code: int, unique_number: int, instance: int) -> int:
    """Return a battery's name: 64 bits. `instance`: 0..252, among devices alike."""
    return (
        unique_number
        | manufacturer_code << 21
        | instance << 32
        | BATTERY << 40
        | GENERATION << 49
        | MARINE << 60
        | 1 << 63  # may take another address
    )


class Claim:
    """Our address, and how we came by it."""

    def __init__(self, address: int, name: int) -> None:
        self.address = address
        self._name = name
        self._taken: set[int] = set()
        self._claims = True  # a claim is to be sent
        self._claimed_ms: int | None = None

    def opened(self) -> None:
        """Everything starts anew."""
        self._taken.clear()
        self._claims, self._claimed_ms = True, None

    def requested(self) -> None:
        """Somebody asks who has which address."""
        self._claims = True

    def heard(self, source: int, data: bytes) -> None:
        """Take another device's claim."""
        if len(data) != 8 or source > HIGHEST_ADDRESS:
            return
        name = int.from_bytes(data, "little")
        if name == self._name:
            return  # our own, come back; or a twin that cannot be told from us
        if source != self.address:
            self._taken.add(source)
            return
        self._claims = True
        if name < self._name:
            self._taken.add(source)
            free = [
                one
                for step in range(1, HIGHEST_ADDRESS + 1)
                if (one := (source + step) % (HIGHEST_ADDRESS + 1)) not in self._taken
            ]
            self.address = free[0] if free else NOBODY
            self._claimed_ms = None

    def due(self, now_ms: int) -> list[Frame]:
        """Return the claim, if it is to be sent."""
        if not self._claims:
            return []
        self._claims = False
        if self._claimed_ms is None:
            self._claimed_ms = now_ms
        can_id = identifier(ADDRESS_CLAIM | EVERYBODY, self.address)
        return [(can_id, self._name.to_bytes(8, "little"))]

    def may_send(self, now_ms: int) -> bool:
        """Is the address ours, as far as anybody has objected?"""
        if self._claimed_ms is None or self.address == NOBODY:
            return False
        gone_ms = since(now_ms, self._claimed_ms)
        if 0 <= gone_ms < SETTLE_MS:
            return False
        self._claimed_ms = (
            now_ms - SETTLE_MS
        ) & 0x3FFFFFFF  # stays long ago when the counter wraps
        return True
