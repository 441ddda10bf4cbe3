"""Packs' voices on a bus: what they say, how it may be garbled, and how much of it the bus carries.

A voice is the other side of a codec. Beside it an ear, the codec itself, tells what a listener can
know of a report: rounded as the map has it, without what the map does not have.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from attrs import frozen

from adapters.counts import Counts
from adapters.links import Record, Talker
from adapters.registers import Answer, Ask, Image
from aggregator import PackReport, SystemView
from aggregator.plain import report_from
from aggregator.ticks import since

NOBODY = SystemView([])
TURNS, TURN_MS = 64, 1_000  # so often an ear may ask before it has a whole report
MOST_LOST = b"\xff"  # in no UTF-8 text


class Says:
    """A voice that only speaks: `items(report, now_ms)` is what is due."""

    def __init__(self, items: Callable[[PackReport, int], Sequence[Any]]) -> None:
        self.counts = Counts()
        self.report: PackReport | None = None
        self._items = items

    def opened(self, now_ms: int) -> None:
        """Nothing to announce."""

    def received(self, item: Any, now_ms: int) -> Sequence[Record]:
        """Whatever it is, a voice has no ears."""
        return ()

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Any]:
        """Return what is due of the report."""
        return () if self.report is None else self._items(self.report, now_ms)


def each_reading(items: Callable[[PackReport], Sequence[Any]]) -> Callable[..., Sequence[Any]]:
    """Return what is due where a reading is told once."""
    last: list[int] = []

    def due(report: PackReport, now_ms: int) -> Sequence[Any]:
        if last == [report.sample]:
            return ()
        last[:] = [report.sample]
        return items(report)

    return due


def every(ms: int, items: Callable[[PackReport], Sequence[Any]]) -> Callable[..., Sequence[Any]]:
    """Return what is due where a report is told again and again."""
    last: list[int] = []

    def due(report: PackReport, now_ms: int) -> Sequence[Any]:
        if last and 0 <= since(now_ms, last[0]) < ms:
            return ()
        last[:] = [now_ms]
        return items(report)

    return due


@frozen
class Voice:
    """How one pack is played: `voice` makes what speaks (it has a `report`), `ear` what hears it."""

    voice: Callable[[], Any]
    ear: Callable[[], Talker[Any]]
    between: Callable[[Any], Any] = lambda voice: voice  # what brings the two together

    def carried(self, report: PackReport) -> PackReport | None:
        """Return what a listener makes of a report; None: it cannot be said."""
        voice, ear = self.between(self.voice()), self.ear()
        voice.report = report
        heard: PackReport | None = None
        for turn in range(TURNS):
            now_ms = turn * TURN_MS
            for ask in ear.due(now_ms, NOBODY, True):
                voice.received(ask, now_ms)
            for item in voice.due(now_ms, NOBODY, True):
                for record in ear.received(item, now_ms):
                    if isinstance(record, PackReport):
                        heard = record
            if heard is not None and turn:
                break
        return heard


class Players:
    """Talker of a link: the voices of its packs. `says` gives one its report, for a while."""

    def __init__(self, voices: Mapping[str, Voice]) -> None:
        self.counts = Counts()
        self.voices = voices
        for voice in voices.values():
            voice.ear()  # ValueError: settings and map do not go together
        self._talkers = {pack: voice.voice() for pack, voice in voices.items()}
        self._said: dict[str, Sequence[Any]] = {}
        self._until_ms: dict[str, tuple[int, int]] = {}  # since when, for how long
        self._garbles = False

    def carried(self, pack: str, plain: dict[str, Any]) -> dict[str, Any] | None:
        """Return what a listener makes of a report, as plain fields; None: it cannot be said."""
        heard = self.voices[pack].carried(made(plain))
        if heard is None:
            return None
        fields = {name: getattr(heard, name) for name in heard.__slots__}
        told = {name: _listed(value) for name, value in fields.items() if value is not None}
        return {**told, "pack": pack, "sample": plain["sample"], "age_ms": None}

    def says(self, pack: str, plain: dict[str, Any], now_ms: int, lasts_ms: int) -> None:
        """Let a pack say a report from now on, until it is out of date."""
        self._talkers[pack].report = made(plain)
        self._until_ms[pack] = (now_ms, lasts_ms)

    def garble(self) -> None:
        """Say what was said last once more, cut in two."""
        self._garbles = True

    @property
    def trouble(self) -> str:
        """Return why a report could not be said; empty: there is none."""
        return next((str(one.counts.trouble) for one in self._talkers.values() if one.counts.trouble), "")  # fmt: skip

    def opened(self, now_ms: int) -> None:
        """The bus has been opened."""
        for talker in self._talkers.values():
            talker.opened(now_ms)

    def received(self, item: Any, now_ms: int) -> Sequence[Record]:
        """Let every voice hear it: some answer questions."""
        for talker in self._talkers.values():
            talker.received(item, now_ms)
        return ()

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Any]:
        """Return what the packs have to say."""
        items: list[Any] = []
        for pack, talker in self._talkers.items():
            from_ms, lasts_ms = self._until_ms.get(pack, (0, 0))
            if talker.report is not None and not 0 <= since(now_ms, from_ms) < lasts_ms:
                talker.report = None
            said = talker.due(now_ms, view, may_speak)
            self._said[pack] = said or self._said.get(pack, ())
            items += said
        if self._garbles:
            self._garbles = False
            items += [garbled(item) for said in self._said.values() for item in said]
        return items


def made(plain: dict[str, Any]) -> PackReport:
    """Return the report with these fields, which were sound when they were read."""
    report = report_from(plain)
    assert isinstance(report, PackReport)
    return report


def _listed(value: Any) -> Any:
    """Return a value as JSON has it."""
    return (
        sorted(value)
        if isinstance(value, set | frozenset)
        else list(value)
        if isinstance(value, tuple)
        else value
    )


def garbled(item: Any) -> Any:
    """Return an item of a bus that a sound listener refuses: half of it."""
    match item:
        case (int(can_id), bytes(data)):
            return can_id, data[: len(data) // 2]
        case (str(topic), bytes(payload), bool(), int()):
            return topic, MOST_LOST + payload[: len(payload) // 2], False, 0
        case bytes(chunk):
            return chunk[: len(chunk) // 2] + b"\n"
        case Image(device=device):
            return Image(device, None)
    return item


class AnswersAsks:
    """Brings an ear that asks for registers together with a voice that shows images."""

    def __init__(self, voice: Any) -> None:
        self.counts = Counts()
        self._voice = voice
        self._asks: list[Ask] = []
        self._image: Image | None = None

    @property
    def report(self) -> PackReport | None:
        """What the voice says."""
        report: PackReport | None = self._voice.report
        return report

    @report.setter
    def report(self, report: PackReport | None) -> None:
        self._voice.report = report

    def received(self, item: Any, now_ms: int) -> Sequence[Record]:
        """Take a question."""
        if isinstance(item, Ask):
            self._asks.append(item)
        return ()

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Answer]:
        """Return the answers out of the image."""
        for image in self._voice.due(now_ms, view, may_speak):
            self._image = image
        asks, self._asks = self._asks, []
        tables = self._image.tables if self._image is not None and self._image.tables else {}
        return [
            Answer(
                ask,
                tuple(
                    tables.get(ask.function, {}).get(ask.address + n, 0) for n in range(ask.count)
                ),
            )
            for ask in asks
        ]
