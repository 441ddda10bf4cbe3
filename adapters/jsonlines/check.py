"""The checksum that may stand behind a line: `{...}*31C3`. Board-safe.

CRC-16/IBM-3740 (polynomial 1021, from FFFF; check value 29B1) over what stands before the star, in
four hexadecimal digits. JSON itself notices no digit that a noisy line has changed into another.
"""

STAR = 42
LENGTH = 5  # of the star and its digits
# The code of each half byte, by which the next one is found.
_HALVES = (
    0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7,
    0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF,
)  # fmt: skip


def crc_of(data: bytes | bytearray, start: int, end: int) -> int:
    """Return the code of data[start:end]; nothing is allocated."""
    crc = 0xFFFF
    for at in range(start, end):
        byte = data[at]
        crc = (crc << 4 & 0xFFFF) ^ _HALVES[crc >> 12 ^ byte >> 4]
        crc = (crc << 4 & 0xFFFF) ^ _HALVES[crc >> 12 ^ byte & 15]
    return crc


def told(data: bytes | bytearray, end: int) -> int:
    """Return the number in the four hexadecimal digits before `end`; -1: they are none."""
    number = 0
    for at in range(end - 4, end):
        byte = data[at]
        if 48 <= byte <= 57:  # 0 to 9
            digit = byte - 48
        elif 65 <= byte <= 70:  # A to F
            digit = byte - 55
        elif 97 <= byte <= 102:  # a to f
            digit = byte - 87
        else:
            return -1
        number = number << 4 | digit
    return number


def has_one(data: bytes | bytearray, start: int, end: int) -> bool:
    """Does a line end in a star and four characters?"""
    return end - start > LENGTH and data[end - LENGTH] == STAR


def suffix(data: bytes) -> bytes:
    """Return what to put behind a line without its end."""
    return b"*%04X" % crc_of(data, 0, len(data))
