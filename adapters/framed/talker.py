"""Talkers for framed serial: the one that asks packs and hears them, and the one that plays a pack."""

from collections.abc import Callable, Sequence
from pathlib import Path

from attrs import field as attr
from attrs import frozen

from adapters.assembly import Assembly, guards, lacking
from adapters.counts import Counts
from adapters.framed.codec import FrameCodec, Reading, fields_of
from adapters.framed.description import LONGEST_FRAME, Description
from adapters.links import Record
from aggregator import PackReport, SystemView
from aggregator.ticks import since

PAUSE_MS = 500  # within a frame no line pauses that long (common practice, no source)


def _addresses(_: object, __: object, value: dict[str, int]) -> None:
    if not value or not all(type(one) is int and 0 <= one <= 255 for one in value.values()):
        raise ValueError("packs with their addresses 0..255, such as { oak = 1, fir = 2 }")


@frozen(kw_only=True)
class HearsFrames:
    """`[[links.hears]] as = "frames"`."""

    map: str  # the description, a TOML file
    packs: dict[str, int] = attr(validator=_addresses)  # pack = its address; packs take turns
    answer_ms: int = 200  # how long an answer may take, 20..5000; then the next is asked
    gap_ms: int = 20  # of silence between an answer and the next request, 0..1000

    def file(self, folder: Path) -> Path:
        """Return where the description lies."""
        return folder / self.map


class FramesTalker:
    """Asks the packs of one line in turn, and puts their reports together.

    One question at a time: on a shared line two answers would run into each other. What comes
    unasked is heard at any time.
    """

    def __init__(
        self,
        description: Description,
        packs: dict[str, int],
        answer_ms: int = 200,
        gap_ms: int = 20,
    ) -> None:
        self.counts = Counts()
        self._answer_ms = answer_ms
        self._gap_ms = gap_ms
        self._packs = packs
        self._description = description
        parts = {frame.name: frame.keep_ms for frame in description.frames}
        needed = [
            frame.name
            for frame in description.frames
            if guards(frame.keep_ms, [field.field for field in frame.fields])
        ]
        self._assemblies = {pack: Assembly(pack, parts, needed=needed) for pack in packs}
        self._codecs = [
            (pack, FrameCodec(frame, description, address))
            for pack, address in packs.items()
            for frame in description.frames
        ]
        starts = [codec.start for _, codec in self._codecs]
        if len(set(starts)) < len(starts):
            raise ValueError(
                "frames that each begin in their own way: put what tells packs and frames apart"
                " (addr, a command) into start"
            )
        # Longer beginnings first: a short one may be the start of a long one.
        self._by_start = sorted(self._codecs, key=lambda one: -len(one[1].start))
        self._asked_ms: list[int | None] = [None] * len(self._codecs)
        self._open_ms: list[int | None] = [None] * len(self._codecs)  # asked first, unanswered yet
        self._waits: int | None = None  # for the answer to this question
        self._free_ms: int | None = None  # since when nothing is expected
        self.on_readings: Callable[[FrameCodec, list[Reading]], None] | None = None
        self._heard_ms: int | None = None
        self._buffer = bytearray()

    def opened(self, now_ms: int) -> None:
        """Forget half frames and open questions."""
        self._buffer.clear()
        self._waits = self._free_ms = None
        self._open_ms = [None] * len(self._codecs)

    def received(self, item: bytes, now_ms: int) -> Sequence[Record]:
        """Take a chunk; return the reports that became whole."""
        if self._heard_ms is not None and not 0 <= since(now_ms, self._heard_ms) <= PAUSE_MS:
            self._buffer.clear()  # half a frame that is not going on
        self._heard_ms = now_ms
        self._buffer += item
        reports: list[Record] = []
        while True:
            found = self._next()
            if found is None:
                break
            pack, codec, data = found
            readings = codec.read(data)
            if isinstance(readings, str):
                self.counts.refuse(f"{pack}: {readings}")
                del self._buffer[0]  # perhaps the beginning was none: look on behind it
                continue
            del self._buffer[: len(data)]
            self.counts.received += 1
            asked_ms = self._answered(pack, codec, now_ms)
            if self.on_readings is not None:
                self.on_readings(codec, readings)
            fields = fields_of(readings)
            if asked_ms is not None:  # it may have waited in some buffer all the time
                told_ms = fields.get("age_ms")
                waited_ms = since(now_ms, asked_ms)
                fields["age_ms"] = waited_ms + (told_ms if isinstance(told_ms, int) else 0)
            missing = lacking(fields)
            if missing is not None:
                self.counts.refuse(f"{pack}: {codec.frame.name}: no {missing} in it")
            report = self._assemblies[pack].put(codec.frame.name, fields, now_ms)
            if report is not None:
                reports.append(report)
        return reports

    def _next(self) -> tuple[str, FrameCodec, bytes] | None:
        """Return the next whole frame; throw away what cannot begin one."""
        while self._buffer:
            at, waits = self._beginning()
            if at:
                self.counts.dropped += at
                del self._buffer[:at]
            if waits is None:
                return None
            pack, codec = waits
            length = codec.length(self._buffer)
            if length is None and len(self._buffer) <= LONGEST_FRAME:
                return None
            if not length or length > LONGEST_FRAME:
                self.counts.refuse(f"{pack}: {codec.frame.name}: no frame of that length")
                del self._buffer[0]
            elif len(self._buffer) < length:
                return None
            else:
                return pack, codec, bytes(self._buffer[:length])
        return None

    def _beginning(self) -> tuple[int, tuple[str, FrameCodec] | None]:
        """Return where the first beginning stands, and of what; or how much is none for certain."""
        best: tuple[int, tuple[str, FrameCodec] | None] = (len(self._buffer), None)
        for pack, codec in self._by_start:
            at = self._buffer.find(codec.start)
            if 0 <= at < best[0]:
                best = (at, (pack, codec))
        longest = max(len(codec.start) for _, codec in self._by_start)
        if best[1] is None:  # the last bytes may be half a beginning
            for keep in range(min(longest - 1, len(self._buffer)), 0, -1):
                tail = self._buffer[-keep:]
                if any(codec.start.startswith(tail) for _, codec in self._by_start):
                    return len(self._buffer) - keep, None
        return best

    def _answered(self, pack: str, codec: FrameCodec, now_ms: int) -> int | None:
        """Note an answer; return when it was first asked for. None: nobody did."""
        number = self._codecs.index((pack, codec))
        asked_ms, self._open_ms[number] = self._open_ms[number], None
        if self._waits is not None and self._codecs[self._waits] == (pack, codec):
            self._waits = None
            self._free_ms = now_ms
        return asked_ms

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[bytes]:
        """Return the next question, if it is time for one. Questions bind no charger."""
        if self._waits is not None:
            asked_ms = self._asked_ms[self._waits]
            if asked_ms is not None and 0 <= since(now_ms, asked_ms) < self._answer_ms:
                return ()
            pack, codec = self._codecs[self._waits]
            self.counts.drop(f"{pack}: {codec.frame.name}: no answer")
            self._waits, self._free_ms = None, None
        if self._free_ms is not None and 0 <= since(now_ms, self._free_ms) < self._gap_ms:
            return ()
        number = self._most_overdue(now_ms)
        if number is None:
            return ()
        self._asked_ms[number] = now_ms
        if self._open_ms[number] is None:
            self._open_ms[number] = now_ms
        self._waits = number
        return (self._codecs[number][1].request,)

    def _most_overdue(self, now_ms: int) -> int | None:
        best, worst_ms = None, -1
        for number, (_, codec) in enumerate(self._codecs):
            if not codec.request:
                continue
            asked_ms = self._asked_ms[number]
            late_ms = (
                1 << 29 if asked_ms is None else since(now_ms, asked_ms) - codec.frame.every_ms
            )
            if late_ms > worst_ms:
                best, worst_ms = number, late_ms
        return best


class PlaysPack:
    """The other side: a pack that answers requests, or speaks by itself where there are none."""

    def __init__(self, description: Description, address: int) -> None:
        self.counts = Counts()
        self.report: PackReport | None = None
        self._codecs = [FrameCodec(frame, description, address) for frame in description.frames]
        self._told_ms: list[int | None] = [None] * len(self._codecs)
        self._asked: list[FrameCodec] = []
        self._buffer = b""

    def opened(self, now_ms: int) -> None:
        """Forget what was asked."""
        self._buffer, self._asked = b"", []

    def received(self, item: bytes, now_ms: int) -> Sequence[Record]:
        """Take a request."""
        self._buffer = (self._buffer + item)[-LONGEST_FRAME:]
        for codec in self._codecs:
            at = self._buffer.find(codec.request) if codec.request else -1
            if at >= 0:
                self._buffer = self._buffer[at + len(codec.request) :]
                self._asked.append(codec)
        return ()

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[bytes]:
        """Return the answers, and what is to be said unasked."""
        if self.report is None:
            return ()
        for number, codec in enumerate(self._codecs):
            told_ms = self._told_ms[number]
            if not codec.request and (
                told_ms is None or since(now_ms, told_ms) >= codec.frame.every_ms
            ):
                self._told_ms[number] = now_ms
                self._asked.append(codec)
        asked, self._asked = self._asked, []
        return [codec.write(self.report) for codec in asked]
