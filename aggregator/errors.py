"""What can be wrong, told in one line: the field, what was expected, what was got.

`SettingsError` is raised, once, by settings constructors: the installer must act.
`Refusal` is a value, returned by `accept`, `bus`, `request` and `restore`: nothing raises at run
time, and what was refused has changed nothing.
"""

_LONGEST_QUOTE = 40
_LARGEST_PRINTED = 1 << 62


def told(value: object) -> str:
    """Return a short text for any value, the same on every interpreter.

    Only texts, booleans, None and moderate integers are quoted; the rest is named by its kind,
    because `repr` of floats, dicts and huge integers differs between interpreters (or raises).
    """
    kind = type(value)
    if value is None:
        return "null"
    if value is True or value is False:
        return "true" if value else "false"
    if isinstance(value, str):
        if len(value) <= _LONGEST_QUOTE and all(" " <= c <= "~" for c in value):
            return '"' + value + '"'
        return "a long or unprintable text"
    if kind is int:
        if -_LARGEST_PRINTED < value < _LARGEST_PRINTED:  # type: ignore[operator]  # kind is int
            return str(value)
        return "a huge integer"
    return "a " + kind.__name__


class SettingsError(ValueError):
    """A setting that cannot be right. Carries `field`, `expected` and `got` (a short text)."""

    def __init__(self, field: str, expected: str, got: object) -> None:
        self.field = field
        self.expected = expected
        self.got = told(got)
        super().__init__(field)

    def __str__(self) -> str:
        return self.field + ": expected " + self.expected + ", got " + self.got


class Refusal:
    """Why a report, request or saved state was not taken: `field`, `expected`, `got` (a text)."""

    __slots__ = ("expected", "field", "got")

    def __init__(self, field: str, expected: str, got: object) -> None:
        self.field = field
        self.expected = expected
        self.got = told(got)

    def __str__(self) -> str:
        return self.field + ": expected " + self.expected + ", got " + self.got

    def __repr__(self) -> str:
        return "Refusal(" + str(self) + ")"
