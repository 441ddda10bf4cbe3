"""The history: what came and when the bank stepped, as a log that `view`, `why` and `replay` read.

The lines are those of the driver protocol (see log.py). Once a minute, and when the stage changes,
the view is kept as the step's answer, so that a replay has something to compare with; a remark
before it tells the time of day, for the log counts as the host does, from its start. A start goes
on in the log that is there; one that is full, or packed, is put aside.
"""

import contextlib
import gzip
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from adapters import words
from adapters.links import Record
from adapters.log import LONGEST_LINE, pair
from aggregator import BankSettings, BusReport, PackReport, SystemView
from aggregator.errors import Refusal
from aggregator.plain import json_text, settings_to_plain, view_to_plain
from aggregator.ticks import since

VIEW_EVERY_MS = 60_000
BEGINS = b'{"op":"reset"'


def plain_record(record: Record, now_ms: int) -> dict[str, object]:
    """Return a record as a driver line: its op, its time, and the fields that are known."""
    op = {PackReport: "report", BusReport: "bus"}.get(type(record), "request")
    plain: dict[str, object] = {"op": op, "t": now_ms}
    for name in record.__slots__:
        value = getattr(record, name)
        if value is not None:
            plain[name] = sorted(value) if isinstance(value, (set, frozenset)) else value
    return plain


class Recorder:
    """Writes one log; stops, and says so once, when it is full or the disk is."""

    def __init__(self, path: Path, most_mb: int, wall: Callable[[], float] = time.time) -> None:
        self._wall = wall
        self.path = path
        self.trouble: str | None = None
        self._packed = path.suffix == ".gz"
        self._left = most_mb * 1_000_000
        self._viewed_ms: int | None = None
        self._stage = ""
        self._file: IO[str] | None = None

    def start(self, settings: BankSettings, now_ms: int, view: SystemView) -> None:
        """Open the log and write what a replay begins with."""
        open_file: Any = gzip.open if self._packed else open
        try:
            self._left -= self._kept_bytes()
            if self.trouble is not None:
                return
            self._file = open_file(self.path, "at", encoding="ascii")
        except OSError as error:
            self.trouble = f"{self.path}: cannot be written: {error.strerror or error}"
            return
        self._write(
            json_text({"op": "reset", "t": now_ms, "settings": settings_to_plain(settings)})
        )
        self.stepped(now_ms, view)

    def _kept_bytes(self) -> int:
        """Return how much of the log that is there is gone on from. Put aside is one that is full,
        or packed (what a crash tore off cannot be found in it); cut off is a torn last line."""
        if not self.path.is_file():
            return 0
        size = self.path.stat().st_size
        if self._packed or size >= self._left:
            os.replace(self.path, self.path.with_name(f"before-{self.path.name}"))
            return 0
        with self.path.open("rb+") as file:
            if size and file.read(len(BEGINS)) != BEGINS:
                self.trouble = f"{self.path}: not recorded: a file that is no log of ours is there"
                return 0
            start = max(0, size - LONGEST_LINE)
            file.seek(start)
            whole = start + file.read().rfind(b"\n") + 1
            file.truncate(whole)
        return whole

    def restored(self, state: dict[str, int | str], now_ms: int) -> None:
        """Note that the bank took up what was kept."""
        self._write(json_text({"op": "restore", "t": now_ms, "state": state}))

    def heard(self, now_ms: int, record: Record, refusal: Refusal | None) -> None:
        """Note a record, whether it was taken or not."""
        self._write(json_text(plain_record(record, now_ms)))

    def stepped(self, now_ms: int, view: SystemView) -> None:
        """Note a step, and its view once in a while."""
        request = {"op": "step", "t": now_ms}
        late = self._viewed_ms is None or since(now_ms, self._viewed_ms) >= VIEW_EVERY_MS
        if late or view.stage != self._stage:
            self._viewed_ms, self._stage = now_ms, view.stage
            moment = time.strftime("%Y-%m-%dT%H:%M:%S", time.localtime(self._wall()))
            self._write(f"# {moment} is {words.clock_s(now_ms // 1_000)} in this log")
            answer = {"ok": True, "view": view_to_plain(view)}
            self._write(pair(request, answer).rstrip("\n"))
        else:
            self._write(json_text(request))
        if late or not self._packed:  # whoever follows the log sees every step
            self._carefully(lambda file: file.flush())

    def close(self) -> None:
        """Finish the log."""
        self._carefully(lambda file: file.close())
        self._file = None

    def _write(self, text: str) -> None:
        self._left -= len(text) + 1
        self._carefully(lambda file: file.write(text + "\n"))
        if self._left < 0 and self.trouble is None:
            self.close()
            self.trouble = f"{self.path}: recording stopped: it is as large as record_mb allows"

    def _carefully(self, do: Callable[[IO[str]], object]) -> None:
        """Do something with the log; a full disk ends the history, not the bank."""
        file = self._file
        if file is None:
            return
        try:
            do(file)
        except OSError as error:
            self.trouble = f"{self.path}: recording stopped: {error.strerror or error}"
            self._file = None
            with contextlib.suppress(OSError):  # what is still waiting to be written
                file.close()
