"""RV-C frames: identifiers, data group numbers (DGN), bytes. Board-safe.

Identifier (RV-C-2023, 3.2): priority << 26 | DGN << 8 | source address; bit 31 marks 29-bit
identifiers, as everywhere in this project. Numbers are sent low byte first; unused bits are 1.
"""

EXTENDED = 0x80000000
LARGEST = 0x9FFFFFFF
EVERYBODY = 0xFF
NOBODY = 0xFE  # the source address of who has none
BYTES = 8

# DGNs below 0xF000 carry a destination in their low byte (PDU1 of J1939).
REQUEST_FOR_DGN = 0xEA00
ACKNOWLEDGMENT = 0xE800
ADDRESS_CLAIM = 0xEE00
DIAGNOSTIC = 0x1FECA  # DM_RV

STATUS_1 = 0x1FFFD
STATUS_2 = 0x1FFFC
STATUS_3 = 0x1FFFB
STATUS_4 = 0x1FEC9
STATUS_5 = 0x1FEC8
STATUS_6 = 0x1FEC7
STATUS_11 = 0x1FEA5
STATUS_13 = 0x1FDE7
CONNECTION_STATUS = 0x1FDD0
SOURCE_COMMAND = 0x1FEA4

# Every DGN of the DC source group that has the source's priority in byte 1 (Table 6.5.2).
SOURCE_STATUSES = (
    STATUS_1,
    STATUS_2,
    STATUS_3,
    STATUS_4,
    STATUS_5,
    STATUS_6,
    0x1FEAC,
    0x1FEAB,
    0x1FEAA,
    0x1FEA9,
    STATUS_11,
    0x1FDF8,
    STATUS_13,
)

# Two-bit flags (Table 5.3).
NO, YES, ERROR, UNKNOWN = 0, 1, 2, 3


def identifier(dgn: int, source: int, priority: int = 6) -> int:
    """Return the identifier of a frame; bit 31 is set."""
    return EXTENDED | priority << 26 | dgn << 8 | source


def addressed(dgn: int) -> bool:
    """Does a DGN carry a destination in its low byte?"""
    return dgn >> 8 & 0xFF < 0xF0


def flag(known: bool | None) -> int:
    """Return a yes, no or unknown as two bits."""
    return UNKNOWN if known is None else YES if known else NO


def put_16(data: bytearray, at: int, value: int) -> None:
    """Write two bytes, low one first."""
    data[at] = value & 0xFF
    data[at + 1] = value >> 8 & 0xFF


def get_16(data: bytes | bytearray, at: int) -> int:
    """Read two bytes, low one first."""
    return data[at] | data[at + 1] << 8


class Frame:
    """A frame taken apart, used again for the next one. `data` is filled up with ones (no data);
    `bad`: what came was no frame at all."""

    __slots__ = ("_filled", "bad", "data", "destination", "dgn", "length", "priority", "source")

    def __init__(self) -> None:
        self.bad = False
        self.dgn = 0
        self.destination = EVERYBODY
        self.source = 0
        self.priority = 0
        self.length = 0
        self.data: bytes | bytearray = bytes(BYTES)
        self._filled = bytearray(BYTES)

    def take(self, item: object) -> bool:
        """Take an item (identifier, data) apart. False: not a frame with a 29-bit identifier."""
        self.bad = True
        if type(item) is not tuple or len(item) != 2:
            return False
        number, data = item
        if type(number) is not int or number < 0 or number > LARGEST:
            return False
        if (type(data) is not bytes and type(data) is not bytearray) or len(data) > BYTES:
            return False
        self.bad = False
        if number < EXTENDED:
            return False
        # By bytes: numbers of this size cost a board an object for each operation.
        parts = number.to_bytes(4, "little")
        self.priority = parts[3] >> 2 & 7
        self.dgn = parts[1] | parts[2] << 8 | (parts[3] & 1) << 16
        self.source = parts[0]
        self.destination = EVERYBODY
        if addressed(self.dgn):
            self.destination = self.dgn & 0xFF
            self.dgn &= 0x1FF00
        self.length = len(data)
        self.data = data
        if self.length < BYTES:
            self.data = self._filled
            for at in range(BYTES):
                self._filled[at] = data[at] if at < self.length else 0xFF
        return True
