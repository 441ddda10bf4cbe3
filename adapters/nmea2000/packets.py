"""Identifiers, and fast packets: messages of more than eight bytes, in pieces. Pure, both ways.

A piece starts with a byte of three bits sequence and five bits number; the first piece carries the
length and six bytes, each other one seven. A message is whole when its last piece has come; a piece
out of turn drops it: half a message is none.
"""

Frame = tuple[int, bytes]  # id, with bit 31 set; data

EXTENDED = 1 << 31
REQUEST = 59_904  # "send me this group"
EVERYBODY = 255
PDU2 = 240  # from this format on, the second byte belongs to the group's number
LONGEST = 223  # bytes in a fast packet
FIRST, OTHER = 6, 7  # bytes of a message in the first piece, and in each other one
MOST_OPEN = 64  # messages that may be under way; one more drops the oldest


def identifier(group: int, source: int, priority: int = 6) -> int:
    """Return the id of a group that goes to everybody."""
    return EXTENDED | priority << 26 | group << 8 | source


def parted(can_id: int) -> tuple[int, int, int] | None:
    """Return (group, source, destination) of an id; None: not one of this standard."""
    if not can_id & EXTENDED:
        return None
    group, source = can_id >> 8 & 0x1FFFF, can_id & 0xFF
    if (group >> 8 & 0xFF) < PDU2:
        return group & 0x1FF00, source, group & 0xFF
    return group, source, EVERYBODY


def pieces(data: bytes, sequence: int) -> list[bytes]:
    """Return a message as fast-packet frames. `sequence`: 0..7, another one each time."""
    head = (sequence & 7) << 5
    made = [bytes([head, len(data)]) + data[:FIRST].ljust(FIRST, b"\xff")]
    for number, at in enumerate(range(FIRST, len(data), OTHER), start=1):
        made.append(bytes([head | number]) + data[at : at + OTHER].ljust(OTHER, b"\xff"))
    return made


class Joiner:
    """Puts fast packets together, for each group and sender."""

    def __init__(self) -> None:
        self._open: dict[tuple[int, int], tuple[int, int, bytes]] = {}  # sequence, length, so far

    def take(self, group: int, source: int, data: bytes) -> bytes | None:
        """Take a piece; return the message if it is whole now."""
        if len(data) < 2:
            return None
        key = group, source
        sequence, number = data[0] >> 5, data[0] & 0x1F
        if number == 0:
            length, so_far = data[1], data[2:8]
            if len(self._open) >= MOST_OPEN and key not in self._open:
                del self._open[next(iter(self._open))]
        elif key not in self._open:
            return None
        else:
            begun, length, so_far = self._open[key]
            expected = 1 + (len(so_far) - FIRST) // OTHER
            if sequence != begun or number != expected:
                del self._open[key]
                return None
            so_far += data[1:8]
        if len(so_far) >= length:
            self._open.pop(key, None)
            return so_far[:length]
        if len(so_far) != FIRST + number * OTHER or length > LONGEST:
            self._open.pop(key, None)  # a short piece that is not the last one
            return None
        self._open[key] = sequence, length, so_far
        return None
