"""What an owner may set about JSON lines, in SITE.toml."""

from typing import Any

from attrs import Attribute, field, frozen

from adapters.jsonlines.lines_in import LONGEST_LINE, LinesIn
from adapters.jsonlines.lines_out import PERIOD_MS, LinesOut
from adapters.jsonlines.writer import ALL_FIELDS

SHORTEST_LINE, MOST_LINE = 128, 65_536
SHORTEST_PERIOD_MS, LONGEST_PERIOD_MS = 50, 3_600_000


def _within(low: int, high: int, unit: str) -> Any:
    def check(_: object, attribute: "Attribute[Any]", value: int | None) -> None:
        if value is not None and not low <= value <= high:
            raise ValueError(f"{low}..{high} {unit}")

    return check


def _known(_: object, attribute: "Attribute[Any]", value: list[str] | None) -> None:
    strange = [name for name in value or [] if name not in ALL_FIELDS]
    if strange or value == []:
        raise ValueError("names of the view's fields (docs/reference), or packs, or findings")


@frozen(kw_only=True)
class HearsJsonLines:
    """`[[links.hears]] as = "json-lines"`."""

    # Longest line [bytes], 128..65536: longer ones are refused. More takes more memory.
    longest_line: int = field(
        default=LONGEST_LINE, validator=_within(SHORTEST_LINE, MOST_LINE, "bytes")
    )
    # Answer a refused line with {"ok":false,"error":...}; false for a sender that must not hear.
    answers: bool = True
    # Refuse lines without a checksum: for serial lines, where noise can change a digit.
    checksums: bool = False

    def talker(self) -> LinesIn:
        """Return the talker."""
        return LinesIn(self.longest_line, self.answers, self.checksums)


@frozen(kw_only=True)
class SaysJsonLines:
    """`[[links.says]] as = "json-lines"`."""

    # Which fields of the view, and "packs", "findings"; left out: all.
    fields: list[str] | None = field(default=None, validator=_known)
    # A line at least so often, 50..3600000 ms; short periods load the line.
    period_ms: int = field(
        default=PERIOD_MS, validator=_within(SHORTEST_PERIOD_MS, LONGEST_PERIOD_MS, "ms")
    )
    # Also at once, when a limit, a permission, the stage or a protection changes.
    on_change: bool = True

    def talker(self) -> LinesOut:
        """Return the talker."""
        return LinesOut(self.fields, self.period_ms, self.on_change)
