"""How a point of a SunSpec model lies in its registers, and reading it back. Pure.

Source of the types and of their "not implemented" values: SUNSPEC.
"""

from collections.abc import Mapping, Sequence

from attrs import frozen

# Type: (registers, signed, the number that says "not implemented").
TYPES: dict[str, tuple[int, bool, int]] = {
    "u16": (1, False, 0xFFFF),
    "e16": (1, False, 0xFFFF),
    "i16": (1, True, 0x8000),
    "sf": (1, True, 0x8000),
    "pad": (1, True, 0x8000),
    "u32": (2, False, 0xFFFF_FFFF),
    "b32": (2, False, 0xFFFF_FFFF),
    "s8": (8, False, 0),
    "s16": (16, False, 0),
}
TEXTS = ("s8", "s16")
Value = int | str | None


@frozen
class Point:
    """One point: its name, its type, the point that holds its scale factor, where it begins."""

    name: str
    type: str
    scale: str | None
    offset: int  # registers from the start of the model (or of one repetition)

    @property
    def size(self) -> int:
        """Registers."""
        return TYPES[self.type][0]

    def words(self, value: Value) -> list[int]:
        """Return the registers of a raw value; None: not implemented."""
        size, signed, nothing = TYPES[self.type]
        if isinstance(value, str):
            text = value.encode("ascii", "replace")[: 2 * size].ljust(2 * size, b"\0")
            return [text[at] << 8 | text[at + 1] for at in range(0, 2 * size, 2)]
        number = nothing if value is None else value
        if signed and number < 0:
            number += 1 << 16 * size
        return [number >> 16 * at & 0xFFFF for at in reversed(range(size))]

    def value(self, words: Sequence[int]) -> Value:
        """Return the raw value in this point's registers; None: not implemented."""
        size, signed, nothing = TYPES[self.type]
        if self.type in TEXTS:
            text = b"".join(word.to_bytes(2, "big") for word in words).rstrip(b"\0")
            return text.decode("ascii", "replace") or None
        number = 0
        for word in words:
            number = number << 16 | word
        if number == nothing:
            return None
        return number - (1 << 16 * size) if signed and number > 0x7FFF else number


def points(table: str) -> tuple[Point, ...]:
    """Make points of lines `type name/scale name/scale ...`."""
    found: list[Point] = []
    offset = 0
    for line in table.strip().splitlines():
        kind, *names = line.split()
        for name in names:
            bare, _, scale = name.partition("/")
            found.append(Point(bare, kind, scale or None, offset))
            offset += TYPES[kind][0]
    return tuple(found)


@frozen
class Model:
    """A model: its points (ID and L included), and those that repeat after them."""

    number: int
    points: tuple[Point, ...]
    repeating: tuple[Point, ...] = ()

    def length(self, times: int = 0) -> int:
        """Return L: the registers after ID and L, with the repeating part so many times."""
        return registers(self.points) - 2 + times * registers(self.repeating)

    def offset(self, name: str) -> int:
        """Return where a point begins, counted from ID."""
        return next(point.offset for point in self.points if point.name == name)

    def words(
        self, values: Mapping[str, Value], each: Sequence[Mapping[str, Value]] = ()
    ) -> list[int]:
        """Return the registers. Values are raw (after scaling); what is left out or None is "not
        implemented". `each`: the values of every repetition."""
        head: dict[str, Value] = {"ID": self.number, "L": self.length(len(each)), **values}
        found = [word for point in self.points for word in point.words(head.get(point.name))]
        for one in each:
            for point in self.repeating:
                found += point.words(one.get(point.name))
        return found

    def values(self, words: Sequence[int]) -> tuple[dict[str, Value], list[dict[str, Value]]]:
        """Read it back: raw values by name, and those of each repetition. Points of which
        registers are missing at the end are left out."""
        start, step = registers(self.points), registers(self.repeating)
        starts = range(start, len(words) - step + 1, step) if step else ()
        each = [_values(self.repeating, words[at : at + step]) for at in starts]
        return _values(self.points, words), each


def registers(of: Sequence[Point]) -> int:
    """Return how many registers points take together."""
    return of[-1].offset + of[-1].size if of else 0


def _values(of: Sequence[Point], words: Sequence[int]) -> dict[str, Value]:
    return {
        point.name: point.value(words[point.offset : point.offset + point.size])
        for point in of
        if point.offset + point.size <= len(words)
    }
