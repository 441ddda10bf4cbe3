"""One line of JSON, byte by byte, into the values of its keys. Board-safe.

Reads what a report, a bus report or a request can be, and nothing else: one object of whole
numbers, null, true, false, short plain texts and short lists. All else (a fraction, an escape, an
object in an object, a key given twice) refuses the line, so nothing has to be nested or guessed.
Once names are known and lists have grown to their length, a line allocates nothing.
"""

from adapters.jsonlines.names import (
    ALARM_NAMES,
    ALARM_WORDS,
    EXPECTED,
    FIELD,
    FIELD_WORDS,
    FLAG,
    INT,
    INTS,
    KEY_WORDS,
    KEYS,
    KIND,
    KIND_WORDS,
    LIST_KEYS,
    LONGEST_TEXT,
    OP,
    OP_WORDS,
    PACK,
    Names,
)
from aggregator.report import MOST_CELLS, bad_id

MOST_PACKS = 64
KEPT_SOURCES = 16
MOST_ELEMENTS = MOST_CELLS
LARGEST_TENTH = 0x3FFFFFFF // 10  # numbers stay below 2^30, where a board allocates nothing
LARGEST_LAST = 0x3FFFFFFF % 10

QUOTE, BACKSLASH, COMMA, COLON, MINUS = b'"\\,:-'
LEFT_BRACE, RIGHT_BRACE, LEFT_BRACKET, RIGHT_BRACKET = b"{}[]"
NULL_N, TRUE_T, FALSE_F = b"ntf"
ZERO, NINE = b"09"
BLANKS = b" \t\r"
LISTS = (INTS, ALARM_NAMES)
CLOSED = (OP, KIND, FIELD)  # every word is known from the start


class BadLineError(Exception):
    """Why a line is refused: one line of text."""


class Scanner:
    """Reads lines. After `scan`: `found`, one for each of KEYS (None: null or not given); `seen`.

    `lists`: a list for each of LIST_KEYS, filled in place; set them before a scan to have others.
    """

    __slots__ = ("_at", "_end", "_line", "_start", "found", "lists", "packs", "seen", "sources")

    def __init__(self) -> None:
        self.found: list[object] = [None] * len(KEYS)
        self.seen = bytearray(len(KEYS))
        self.lists: list[list[object]] = [[] for _ in LIST_KEYS]
        self.packs = Names([])
        self.sources = Names([])
        self._line: bytes | bytearray = b""
        self._at = 0
        self._end = 0
        self._start = 0

    def scan(self, line: bytes | bytearray, start: int, end: int) -> None:
        """Read `line[start:end]`. Raises BadLineError."""
        found, seen = self.found, self.seen
        for number in range(len(seen)):
            seen[number] = 0
            found[number] = None
        self._line, self._at, self._end = line, start, end
        if self._next() != LEFT_BRACE:
            raise BadLineError("expected an object with named fields")
        if self._next() != RIGHT_BRACE:
            self._at -= 1
            self._pairs()
        while self._at < end:
            if line[self._at] not in BLANKS:
                raise BadLineError("expected nothing after the object")
            self._at += 1

    def _pairs(self) -> None:
        """Read `"key": value, ...}`."""
        while True:
            if self._next() != QUOTE:
                raise BadLineError("expected a name in quotes")
            number = self._word(KEY_WORDS)
            if number < 0:
                raise BadLineError(self._text() + ": expected a known field")
            if self.seen[number]:
                raise BadLineError(KEYS[number][0] + ": given twice")
            self.seen[number] = 1
            if self._next() != COLON:
                raise BadLineError(KEYS[number][0] + ": expected a colon")
            self.found[number] = self._value(number)
            byte = self._next()
            if byte == RIGHT_BRACE:
                return
            if byte != COMMA:
                raise self._wrong(number)

    def _value(self, number: int) -> object:
        """Read the value of a key."""
        kind = KEYS[number][1]
        byte = self._next()
        if byte == NULL_N:
            self._rest(b"null", number)
            return None
        if kind == INT:
            return self._integer(byte, number)
        if kind == FLAG and byte == TRUE_T:
            self._rest(b"true", number)
            return True
        if kind == FLAG and byte == FALSE_F:
            self._rest(b"false", number)
            return False
        if kind in LISTS:
            return self._list(byte, number)
        if kind != FLAG and byte == QUOTE:
            return self._named(kind, number)
        raise self._wrong(number)

    def _next(self) -> int:
        """Return the next byte that is not blank, and step over it."""
        line, at, end = self._line, self._at, self._end
        while at < end:
            byte = line[at]
            at += 1
            if byte not in BLANKS:
                self._at = at
                return byte
        raise BadLineError("expected the whole object on one line")

    def _rest(self, word: bytes, number: int) -> None:
        """Step over the rest of `word`, whose first letter has been read."""
        line, at = self._line, self._at
        for i in range(1, len(word)):
            if at >= self._end or line[at] != word[i]:
                raise self._wrong(number)
            at += 1
        self._at = at

    def _integer(self, byte: int, number: int) -> int:
        """Read a whole number that begins with `byte`, of less than 2^30."""
        line, at, end = self._line, self._at, self._end
        negative = byte == MINUS
        if negative:
            byte = line[at] if at < end else 0
            at += 1
        if byte < ZERO or byte > NINE:
            raise self._wrong(number)
        value = byte - ZERO
        while at < end:
            byte = line[at]
            if byte < ZERO or byte > NINE:
                break
            digit = byte - ZERO
            if value == 0:  # JSON has no leading zeros
                raise self._wrong(number)
            if value > LARGEST_TENTH or (value == LARGEST_TENTH and digit > LARGEST_LAST):
                raise BadLineError(KEYS[number][0] + ": expected a smaller number")
            value = value * 10 + digit
            at += 1
        self._at = at
        return -value if negative else value

    def _list(self, byte: int, number: int) -> list[object]:
        """Read a list into its place."""
        if byte != LEFT_BRACKET:
            raise self._wrong(number)
        items = self.lists[LIST_KEYS.index(number)]
        alarms = KEYS[number][1] == ALARM_NAMES
        count = 0
        byte = self._next()
        while byte != RIGHT_BRACKET:
            if count == MOST_ELEMENTS:
                raise BadLineError(KEYS[number][0] + ": expected a shorter list")
            value = self._alarm(byte, number) if alarms else self._integer(byte, number)
            if count < len(items):
                items[count] = value
            else:
                items.append(value)
            count += 1
            byte = self._next()
            if byte == COMMA:
                byte = self._next()
                if byte == RIGHT_BRACKET:
                    raise self._wrong(number)
            elif byte != RIGHT_BRACKET:
                raise self._wrong(number)
        while len(items) > count:
            items.pop()
        return items

    def _alarm(self, byte: int, number: int) -> str:
        found = self._word(ALARM_WORDS) if byte == QUOTE else -1
        if found < 0:
            raise self._wrong(number)
        return ALARM_WORDS.texts[found]

    def _word(self, names: Names) -> int:
        """Read a text whose opening quote has been read; return its number, or -1."""
        line, at, end = self._line, self._at, self._end
        total = 0
        while at < end:
            byte = line[at]
            if byte == QUOTE:
                break
            if byte == BACKSLASH or byte < 32 or byte > 126:
                raise BadLineError("expected texts of plain ASCII without escapes")
            total += byte
            at += 1
        else:
            raise BadLineError("expected the whole object on one line")
        self._start, self._at = self._at, at + 1
        if at - self._start > LONGEST_TEXT:
            raise BadLineError("expected shorter texts")
        return names.find(line, self._start, at - self._start, total)

    def _text(self) -> str:
        """Return the text that `_word` has just read."""
        return bytes(self._line[self._start : self._at - 1]).decode()

    def _named(self, kind: int, number: int) -> str:
        """Read a text whose opening quote has been read."""
        names = self._names(kind)
        found = self._word(names)
        if found >= 0:
            return names.texts[found]
        if kind in CLOSED:
            raise self._wrong(number)
        text = self._text()
        if kind == PACK:
            if bad_id(text) is not None or len(names.texts) >= MOST_PACKS:
                raise self._wrong(number)
            names.add(text)
        elif len(names.texts) < KEPT_SOURCES:
            names.add(text)
        return text

    def _names(self, kind: int) -> Names:
        if kind == PACK:
            return self.packs
        if kind == OP:
            return OP_WORDS
        if kind == KIND:
            return KIND_WORDS
        return FIELD_WORDS if kind == FIELD else self.sources

    def _wrong(self, number: int) -> BadLineError:
        name, kind = KEYS[number]
        return BadLineError(name + ": expected " + EXPECTED[kind] + " or null")
