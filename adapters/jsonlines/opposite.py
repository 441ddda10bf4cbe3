"""The other side of the stream: reports as a pack writes them, views as a listener reads them."""

import json

from adapters.jsonlines.check import suffix
from aggregator.plain import REPORT_KEYS, json_text
from aggregator.report import PackReport

LONGEST_VIEW = 65_536


def report_line(report: PackReport, checksum: bool = False) -> bytes:
    """Return the line of a report; what is unknown is left out. `checksum`: put one behind it."""
    plain: dict[str, object] = {"op": "report"}
    for name in REPORT_KEYS:
        value = getattr(report, name)
        if value is not None:
            plain[name] = sorted(value) if isinstance(value, set) else value
    line = json_text(plain).encode()
    return line + (suffix(line) if checksum else b"") + b"\n"


class ViewReader:
    """Plays a listener: `views(chunk)` returns the views, as dicts, of the lines that end in it."""

    def __init__(self) -> None:
        self._part = b""

    def views(self, chunk: bytes) -> list[dict[str, object]]:
        """Return the views told; other lines are passed over. Raises nothing."""
        *lines, part = (self._part + chunk).split(b"\n")
        self._part = part[-LONGEST_VIEW:]
        found = []
        for line in lines:
            try:
                told = json.loads(line)
            except (ValueError, RecursionError):
                continue
            if isinstance(told, dict) and isinstance(told.get("view"), dict):
                found.append(told["view"])
        return found


class PackLines:
    """Plays a pack on a stream: `due(report)` returns its line once for each new sample."""

    def __init__(self) -> None:
        self._sample: int | None = None

    def due(self, report: PackReport) -> list[bytes]:
        if report.sample == self._sample:
            return []
        self._sample = report.sample
        return [report_line(report)]
