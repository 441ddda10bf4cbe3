"""What a compiled file (.mpy, version 6) holds: names, texts and code.

Source of the format: MicroPython's documentation, "MicroPython .mpy files".
"""

from collections.abc import Iterator
from pathlib import Path

TUPLE, BYTES, TEXT = 10, 6, 5  # kinds of constant
FIRST_LONG_KIND = 5  # the kinds below have no contents
STATIC = 1  # bit of a name's head: the interpreter knows the name
HAS_CHILDREN = 4  # bit of a piece of code's head


class CompiledFile:
    """The names that the file brings, its texts that are no names, and its pieces of code."""

    def __init__(self, path: Path) -> None:
        self._bytes = path.read_bytes()
        self._at = 4  # after the magic and the flags
        names, constants = self._number(), self._number()
        self._all_names = [self._name() for _ in range(names)]
        self.names = [name for name in self._all_names if name]
        self.texts = [text for _ in range(constants) for text in self._constant()]
        self.codes = list(self._code())

    def kept_codes(self) -> list[bytes]:
        """The code of functions: that of the module and of its classes runs once and goes."""
        return [code for code in self.codes[1:] if not self._name_of(code)[:1].isupper()]

    def _number(self) -> int:
        """A number in groups of seven bits, the highest first."""
        value = 0
        more = 0x80
        while more:
            byte = self._bytes[self._at]
            self._at += 1
            value = value << 7 | byte & 0x7F
            more = byte & 0x80
        return value

    def _take(self, length: int) -> bytes:
        self._at += length
        return self._bytes[self._at - length : self._at]

    def _name(self) -> str:
        """The next name; empty if the interpreter brings it."""
        head = self._number()
        return "" if head & STATIC else self._take((head >> 1) + 1)[:-1].decode()

    def _constant(self) -> Iterator[str]:
        """The texts in the next constant."""
        kind = self._take(1)[0]
        if kind < FIRST_LONG_KIND:
            return
        length = self._number()
        if kind == TUPLE:
            for _ in range(length):
                yield from self._constant()
            return
        content = self._take(length)
        if kind in (TEXT, BYTES):
            self._take(1)  # a zero ends it
            yield content.decode("latin-1")

    def _code(self) -> Iterator[bytes]:
        """The next piece of code, and those inside it."""
        head = self._number()
        yield self._take(head >> 3)
        if head & HAS_CHILDREN:
            for _ in range(self._number()):
                yield from self._code()

    def _name_of(self, code: bytes) -> str:
        """The name of the function: it stands behind two numbers of variable length."""
        at = 0
        for _ in range(2):
            while code[at] & 0x80:
                at += 1
            at += 1
        number = code[at] & 0x7F
        while code[at] & 0x80:
            at += 1
            number = number << 7 | code[at] & 0x7F
        return self._all_names[number]
