"""A log or a stream of driver lines, run through the aggregator while it is read."""

import gzip
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO

from adapters.log import LONGEST_LINE, BadLogError, requests
from adapters.toml_file import BadFileError
from aggregator import Aggregator, BankSettings, SystemView
from conformance.device import Device

NEWS = ("report", "bus", "request")
LOOK_AGAIN_S = 0.3  # how often a file that is followed is looked at
NO_SETTINGS = "no settings yet: the first line must be a reset, or give --settings FILE"
NO_STEP = (
    "no step in it, so there is nothing to show: it needs a reset, then reports and steps"
    " (--every 1 steps once a second where there are only reports)"
)


@contextmanager
def opened(name: str, writing: bool = False) -> Iterator[TextIO]:
    """Open a log to read or write; "-" is standard input; *.gz is packed. Raises BadFileError."""
    if name == "-" and not writing:
        yield sys.stdin
        return
    mode = "wt" if writing else "rt"
    try:
        log: Any = gzip.open if name.endswith(".gz") else open
        file: TextIO = log(name, mode, encoding="utf-8", errors="replace")
    except OSError as error:
        doing = "written" if writing else "read"
        complaint = f"{name}: cannot be {doing}: {error.strerror or error}"
        raise BadFileError([complaint], unreadable=True) from None
    with file:
        yield file


def lines_of(log: TextIO, name: str) -> Iterator[str]:
    """Yield the lines of a log, none longer than a line may be; of a packed one that is still being
    written, or was torn off, those that are there. Raises BadFileError."""
    try:
        yield from iter(lambda: log.readline(LONGEST_LINE + 1), "")
    except EOFError:
        print(f"packyoke: {name}: has no end: torn off, or still being written", file=sys.stderr)
    except OSError as error:
        complaint = f"{name}: cannot be read: {error}"
        raise BadFileError([complaint], unreadable=True) from None


def growing(log: TextIO, name: str) -> Iterator[str]:
    """Yield the lines of a log, and wait for more at its end. Ends with a stream, or by Ctrl-C."""
    if log is sys.stdin or name.endswith(".gz") or not Path(name).is_file():
        yield from lines_of(log, name)
        return
    part = ""
    while True:
        part += log.readline(LONGEST_LINE + 1)
        if part.endswith("\n") or len(part) > LONGEST_LINE:
            yield part
            part = ""
        else:
            time.sleep(LOOK_AGAIN_S)


def stepped(requests: Iterable[dict[str, Any]], every_ms: int | None) -> Iterator[dict[str, Any]]:
    """Yield the requests; with `every_ms`, and a step before news that is so much later."""
    stepped_ms: int | None = None
    now_ms = None
    for request in requests:
        moment = request.get("t")
        if every_ms and request.get("op") in NEWS and type(moment) is int:
            now_ms = moment
            if stepped_ms is None:
                stepped_ms = now_ms
            elif now_ms - stepped_ms >= every_ms:
                stepped_ms = now_ms
                yield {"op": "step", "t": now_ms}
        yield request
    if now_ms is not None:
        yield {"op": "step", "t": now_ms}


def stepped_view(device: Device, request: dict[str, Any]) -> SystemView | None:
    """Step the bank if that is what is asked, without the answer's plain values, which take longer
    than the step; return its view, or None if something else is asked."""
    moment = request.get("t")
    if request.get("op") == "step" and type(moment) is int and device.bank is not None:
        return device.bank.step(moment)
    return None


class Playback:
    """The bank as the lines read so far leave it."""

    def __init__(self, settings: BankSettings | None = None) -> None:
        self.device = Device()
        self.device.bank = None if settings is None else Aggregator(settings)
        self.view: SystemView | None = None
        self.now_ms = 0  # of the last step
        self.readings: dict[str, dict[str, Any]] = {}  # each pack's last report that was taken
        self.line = 0

    def steps(
        self, lines: Iterable[str], name: str, every_ms: int | None, until_ms: int | None = None
    ) -> Iterator[SystemView]:
        """Yield the view of every step. Raises BadLogError."""
        name = "standard input" if name == "-" else name
        for request in stepped(self._requests(lines, name), every_ms):
            moment = request.get("t")
            if until_ms is not None and type(moment) is int and moment > until_ms:
                return
            if self.device.bank is None and request.get("op") in (*NEWS, "step"):
                raise BadLogError(f"{name}:{self.line}: {NO_SETTINGS}")
            view = stepped_view(self.device, request)
            if view is not None:
                self.view = view
                self.now_ms = request["t"]
                yield view
            else:
                self._take(request, name)

    def _requests(self, lines: Iterable[str], name: str) -> Iterator[dict[str, Any]]:
        for self.line, request in requests(lines, name):
            yield request

    def _take(self, request: dict[str, Any], name: str) -> None:
        answer = self.device.answer(request)
        if answer["ok"] and request.get("op") == "report":
            self.readings[request["pack"]] = request
        elif answer["ok"] and request.get("op") == "reset":
            self.readings.clear()
        elif not answer["ok"] and request.get("op") in ("reset", "step"):
            raise BadLogError(f"{name}:{self.line}: {answer['error']}")

    def last(
        self, name: str, every_ms: int | None = None, until_ms: int | None = None
    ) -> SystemView:
        """Run a whole log, or up to a moment; return the view it ends with. Raises BadLogError."""
        with opened(name) as log:
            for _ in self.steps(lines_of(log, name), name, every_ms, until_ms):
                pass
        if self.view is None:
            shown = "standard input" if name == "-" else name
            raise BadLogError(f"{shown}: {NO_STEP}")
        return self.view
