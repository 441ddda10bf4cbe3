"""Claiming an address on the bus (J1939-81 as RV-C uses it). Board-safe.

Who wants an address says so, with a NAME that is like no other; of two that want the same one, the
lower NAME keeps it, and the other moves on. Ours starts with the address set, then tries the dynamic
range of battery monitors (160..175), from the top down.
"""

from adapters.rvc.frames import ADDRESS_CLAIM, EVERYBODY, NOBODY, identifier
from aggregator.ticks import since

SETTLE_MS = 250  # after a claim nothing else is said for so long
FIRST_DYNAMIC, LAST_DYNAMIC = 160, 175


def name_bytes(
    manufacturer: int,
    identity: int,
    function: int = 255,
    function_instance: int = 0,
    unit_instance: int = 0,
) -> bytes:
    """Return a NAME, low byte first: identity number of 21 bits, manufacturer code of 11, unit
    instance of 3, function instance of 5, function of 8; the address may be moved."""
    return bytes(
        [
            identity & 0xFF,
            identity >> 8 & 0xFF,
            identity >> 16 & 0x1F | (manufacturer & 0x07) << 5,
            manufacturer >> 3 & 0xFF,
            unit_instance & 0x07 | (function_instance & 0x1F) << 3,
            function & 0xFF,
            0x00,
            0x80,
        ]
    )


def lower(one: bytes | bytearray, other: bytes | bytearray) -> bool:
    """Is one NAME lower than another?"""
    for at in range(7, -1, -1):
        if one[at] != other[at]:
            return one[at] < other[at]
    return False


class Address:
    """Our address: `own`, or NOBODY. `claim_due`: a claim has to be sent."""

    __slots__ = ("_first", "_since_ms", "_taken", "claim_due", "name", "own")

    def __init__(self, name: bytes, first: int) -> None:
        self.name = name
        self.own = first
        self.claim_due = False
        self._first = first
        self._since_ms: int | None = None  # of the last new claim, until it has settled
        self._taken = bytearray(256)  # addresses of stronger claims

    def opened(self, now_ms: int) -> None:
        """Claim anew."""
        for at in range(256):
            self._taken[at] = 0
        self._move(self._first, now_ms)

    def settled(self, now_ms: int) -> bool:
        """May we use our address?"""
        if self.own == NOBODY or self.claim_due:
            return False
        if self._since_ms is not None:
            if 0 <= since(now_ms, self._since_ms) < SETTLE_MS:
                return False
            self._since_ms = None
        return True

    def claimed(self, source: int, name: bytes | bytearray, now_ms: int) -> None:
        """Somebody claims an address."""
        if source >= NOBODY:
            return
        if not lower(name, self.name):
            # Ours is stronger, and says so; or it is ours that came back to us.
            self.claim_due = self.claim_due or (source == self.own and lower(self.name, name))
            return
        self._taken[source] = 1
        if source == self.own:
            self._move(self._free(), now_ms)

    def asked(self) -> None:
        """Somebody asks who is there."""
        self.claim_due = True

    def claim(self) -> tuple[int, bytes]:
        """Return the claim that is due, or that no address is left."""
        self.claim_due = False
        return identifier(ADDRESS_CLAIM | EVERYBODY, self.own), self.name

    def _free(self) -> int:
        """Return the next address that nobody stronger has."""
        for own in range(LAST_DYNAMIC, FIRST_DYNAMIC - 1, -1):
            if not self._taken[own]:
                return own
        return NOBODY

    def _move(self, own: int, now_ms: int) -> None:
        self.own = own
        self._since_ms = now_ms
        self.claim_due = True
