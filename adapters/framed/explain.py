"""What a description reads out of a recording of a serial line.

A recording is text: seconds, then the bytes in hex, as they came; lines with # are notes.

    12.345 AA 01 90 14 C1 02 E6
"""

from collections.abc import Iterable

from adapters.capture import Seen
from adapters.framed.codec import FrameCodec, Reading
from adapters.framed.description import Description
from adapters.framed.talker import FramesTalker
from adapters.links import LinkError


def explain(description: Description, lines: Iterable[str], address: int = 0) -> list[Seen]:
    """Return every number that a description finds. Raises LinkError for a line that is none.

    `address`: the pack's, where frames carry one.
    """
    seen: list[Seen] = []
    talker = Listener(description, address)
    for number, line in enumerate(lines, 1):
        text = line.split("#")[0].split()
        if not text:
            continue
        try:
            at_ms = round(float(text[0]) * 1_000)
            chunk = bytes.fromhex("".join(text[1:]))
        except (ValueError, OverflowError):
            raise LinkError(f"line {number}: expected seconds and bytes in hex, got"
                            f" {line.strip()[:40]!r}") from None  # fmt: skip
        for codec, reading in talker.readings(chunk, at_ms):
            row = reading.row
            which = f" no. {reading.number}" if row.count > 1 else ""
            source = f"{codec.frame.name}, byte {row.at}, {row.type}{which}"
            seen.append(Seen(at_ms, source, row.field, reading.raw, reading.value))
    return seen


class Listener:
    """Reads frames of one pack without asking for them."""

    def __init__(self, description: Description, address: int) -> None:
        self._talker = FramesTalker(description, {"sample": address})

    def readings(self, chunk: bytes, at_ms: int) -> list[tuple[FrameCodec, Reading]]:
        """Return what a chunk completes."""
        found: list[tuple[FrameCodec, Reading]] = []
        self._talker.on_readings = lambda codec, readings: found.extend(
            (codec, one) for one in readings
        )
        self._talker.received(chunk, at_ms & 0x3FFFFFFF)
        return found
