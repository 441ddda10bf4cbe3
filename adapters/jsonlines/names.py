"""Words found in bytes without making a text of them; the keys that a line may have. Board-safe."""

from aggregator.plain import BUS_KEYS, REPORT_KEYS, REQUEST_KEYS
from aggregator.ranges import STAGE_INTS
from aggregator.report import ALARMS, REPORT_FLAGS, REPORT_INTS, REPORT_LISTS
from aggregator.requests import KINDS

LONGEST_TEXT = 40  # no word of ours is longer


class Names:
    """A list of known words; `find` allocates nothing."""

    __slots__ = ("_after", "_encoded", "_first", "texts")

    def __init__(self, texts: list[str]) -> None:
        self.texts: list[str] = []
        self._encoded: list[bytes] = []
        self._first: dict[int, int] = {}  # signature -> the latest word that has it
        self._after: list[int] = []  # the one before it with the same signature; -1: none
        for text in texts:
            self.add(text)

    def add(self, text: str) -> int:
        """Take a word; return its number."""
        encoded = text.encode()
        mark = signature(sum(encoded), len(encoded))
        number = len(self.texts)
        self._after.append(self._first.get(mark, -1))
        self._first[mark] = number
        self._encoded.append(encoded)
        self.texts.append(text)
        return number

    def find(self, line: bytes | bytearray, start: int, length: int, total: int) -> int:
        """Return the number of the word at `start`; -1: not known. `total`: sum of its bytes."""
        number = self._first.get(signature(total, length), -1)
        while number >= 0:
            encoded = self._encoded[number]
            if len(encoded) == length:
                for i in range(length):
                    if line[start + i] != encoded[i]:
                        break
                else:
                    return number
            number = self._after[number]
        return -1


def signature(total: int, length: int) -> int:
    """Return a number that most words do not share."""
    return total * 64 + length


# What a value may be.
INT = 0
FLAG = 1
INTS = 2
ALARM_NAMES = 3
PACK = 4
KIND = 5
FIELD = 6
SOURCE = 7
OP = 8

EXPECTED = (
    "a whole number",
    "true, false",
    "a list of whole numbers",
    "a list of names from the alarm table",
    "the name of a pack",
    "a kind of request",
    "a kind of request or a stage setting",
    "a plain text",
    "report, bus or request",
)


def _firsts(table: tuple[tuple[object, ...], ...]) -> list[str]:
    return [str(row[0]) for row in table]


# Every key of a line: its name and what its value may be. `t` is read over: time is the listener's.
KEYS = (
    [("op", OP), ("t", INT), ("pack", PACK)]
    + [(name, INT) for name in _firsts(REPORT_INTS)]
    + [(name, FLAG) for name in REPORT_FLAGS]
    + [(name, INTS) for name in _firsts(REPORT_LISTS)]
    + [("warnings", ALARM_NAMES), ("protections", ALARM_NAMES)]
    + [("kind", KIND), ("value", INT), ("lasts_ms", INT), ("source", SOURCE), ("field", FIELD)]
)
KEY_NAMES = [name for name, _ in KEYS]
KEY_WORDS = Names(KEY_NAMES)

OPS = ("report", "bus", "request")
REPORT, BUS = 0, 1  # their numbers; all others are requests
# For each op: the numbers of its keys.
KEYS_OF = [
    [KEY_NAMES.index(name) for name in names] for names in (REPORT_KEYS, BUS_KEYS, REQUEST_KEYS)
]
LIST_KEYS = [number for number, row in enumerate(KEYS) if row[1] in (INTS, ALARM_NAMES)]

KIND_WORDS = Names(_firsts(KINDS))
FIELD_WORDS = Names(_firsts(KINDS) + _firsts(STAGE_INTS))
ALARM_WORDS = Names(list(ALARMS))
OP_WORDS = Names(list(OPS))
