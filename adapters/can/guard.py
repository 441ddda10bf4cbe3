"""The counter and the checksum of one message: checked when read, filled in when written."""

from typing import Literal

from adapters.can.bits import Spot
from adapters.can.map_file import Message
from adapters.checksums import checksum


class Guard:
    """Of one message of the map; one for each sender, because it remembers the counter."""

    def __init__(self, message: Message) -> None:
        counter, seal = message.row.counter, message.row.checksum
        self._counter = message.spots[counter.signal][0] if counter else None
        self._step = counter.step if counter else 1
        held = 1 << self._counter.length if self._counter else 1
        self._modulo = min((counter.modulo if counter else None) or held, held)
        self._seal = message.spots[seal.signal][0] if seal else None
        if seal and self._seal:
            self._make = checksum(seal)
            own = self._seal.bytes_of(message.length) if seal.last_byte is None else ()
            end = message.length if seal.last_byte is None else seal.last_byte + 1
            self._over = [one for one in range(seal.first_byte, end) if one not in own]
        self._last: int | None = None  # the counter last read
        self._count = 0  # frames written

    def complaint(self, data: bytes) -> str | None:
        """Return what is wrong with a frame that was read; None: it is right, and a new one."""
        if self._seal is not None and value(self._seal, data) != self._made(self._seal, data):
            return "a wrong checksum"
        if self._counter is not None:
            number = value(self._counter, data)
            if number == self._last:
                return "a counter that stands still"
            self._last = number
        return None

    def sealed(self, data: bytes) -> bytes:
        """Return a frame to be written with its counter and checksum in it."""
        if self._counter is not None:
            data = put(self._counter, data, self._count * self._step % self._modulo)
            self._count += 1
        return data if self._seal is None else put(self._seal, data, self._made(self._seal, data))

    def _made(self, seal: Spot, data: bytes) -> int:
        bare = put(seal, data, 0)
        return self._make(bytes(bare[one] for one in self._over)) & (1 << seal.length) - 1


def value(spot: Spot, data: bytes) -> int:
    """Return the bits at a spot of a whole frame, without a sign."""
    return spot.read(int.from_bytes(data, _order(spot))) & (1 << spot.length) - 1


def put(spot: Spot, data: bytes, raw: int) -> bytes:
    """Return a whole frame with a number at a spot."""
    word = spot.write(int.from_bytes(data, _order(spot)), raw)
    return word.to_bytes(len(data), _order(spot))


def _order(spot: Spot) -> Literal["big", "little"]:
    return "big" if spot.big else "little"
