"""Chunks of a stream in, records out, and a word about what was refused. Board-safe.

A line is a report (`{"pack":"oak",...}`, or with `"op":"report"`), a meter's reading
(`{"op":"bus",...}`) or a request (`{"op":"request","kind":...}`), with the fields and units of the
core's records. Empty lines, lines that start with `#`, and other talkers' answers and views are
passed over. A line is taken whole or refused whole; the next one is read as if nothing had been.

`sample` may be left out: the line then counts as a new reading. Who can, sends it: only that tells
a new reading from an old one sent again.
"""

from adapters.counts import Counts
from adapters.jsonlines.check import LENGTH, crc_of, has_one, told
from adapters.jsonlines.names import (
    BUS,
    KEY_NAMES,
    KEYS_OF,
    LIST_KEYS,
    OPS,
    REPORT,
)
from adapters.jsonlines.scanner import BadLineError, Scanner
from aggregator.plain import json_text
from aggregator.report import BUS_INTS, REPORT_INTS, SAMPLE_MODULO, BusReport, PackReport, bad_int
from aggregator.requests import Request
from aggregator.view import SystemView

LONGEST_LINE = 2_048
MOST_ANSWERS = 8  # kept until they can be sent
KEPT_REPORTS = 64  # report objects that are used again
NEWLINE = b"\n"
HASH = 35
CARRIAGE_RETURN = 13
PASSED_OVER = (b'{"ok":', b'{"error":', b'{"view":')  # as other talkers begin their lines

OP, PACK, SAMPLE = KEY_NAMES.index("op"), KEY_NAMES.index("pack"), KEY_NAMES.index("sample")


class Draft:
    """A report that is filled anew for each line, with its lists."""

    __slots__ = ("lists", "report")

    def __init__(self) -> None:
        self.report = PackReport("", 0)
        self.lists: list[list[object]] = [[] for _ in LIST_KEYS]


class LinesIn:
    """Hears JSON lines. Records are used again by the next `received`: hand them on at once.

    `longest_line`: in bytes; a longer one is refused. `answers`: say what was refused. `checksums`:
    refuse lines without a checksum (check.py); one that is there must be right in any case.
    """

    def __init__(
        self, longest_line: int = LONGEST_LINE, answers: bool = True, checksums: bool = False
    ) -> None:
        self._checksums = checksums
        self.counts = Counts()
        self._scanner = Scanner()
        self._drafts: list[Draft] = [Draft()]
        self._bus = BusReport(0)
        self._request = Request("")
        self._samples: list[int] = []  # the last one of each pack
        self._bus_sample = 0
        self._part = bytearray(longest_line)  # a line of which the end has not come
        self._length = 0
        self._too_long = False
        self._answers = answers
        self._pending: list[bytes] = []
        self._records: list[PackReport | BusReport | Request] = []

    def opened(self, now_ms: int) -> None:
        """Forget half a line, and answers to a listener that is gone."""
        self._length = 0
        self._too_long = False
        self._pending.clear()

    def received(self, item: bytes, now_ms: int) -> list[PackReport | BusReport | Request]:
        """Return what the lines that end in a chunk say."""
        records = self._records
        while records:
            records.pop()
        if type(item) is not bytes:
            self._refuse("expected bytes")
            return records
        start = 0
        while True:
            end = item.find(NEWLINE, start)
            if end < 0:
                self._keep(item, start, len(item))
                return records
            if self._length or self._too_long:
                self._keep(item, start, end)
                self._whole(self._part, 0, self._length)
            else:
                self._too_long = end - start > len(self._part)
                self._whole(item, start, end)
            self._length = 0
            self._too_long = False
            start = end + 1

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> list[bytes]:
        """Return answers to what was refused; a charger obeys none of them."""
        pending = self._pending
        if pending:
            self._pending = []
        return pending

    def _keep(self, item: bytes, start: int, end: int) -> None:
        """Keep a piece of a line, byte by byte: slices would be garbage."""
        part, length = self._part, self._length
        if length + end - start > len(part):
            self._too_long = True
        if self._too_long:
            return
        for at in range(start, end):
            part[length] = item[at]
            length += 1
        self._length = length

    def _whole(self, line: bytes | bytearray, start: int, end: int) -> None:
        """Read a whole line."""
        if self._too_long:
            self._refuse("expected at most " + str(len(self._part)) + " bytes in a line")
        elif not _passed_over(line, start, end):
            try:
                self._take(line, start, self._checked(line, start, end))
            except BadLineError as bad:
                self._refuse(str(bad))

    def _checked(self, line: bytes | bytearray, start: int, end: int) -> int:
        """Return where a line ends without its checksum. Raises BadLineError."""
        if end > start and line[end - 1] == CARRIAGE_RETURN:
            end -= 1
        if has_one(line, start, end):
            end -= LENGTH
            if told(line, end + LENGTH) != crc_of(line, start, end):
                raise BadLineError("wrong checksum")
        elif self._checksums:
            raise BadLineError("expected a checksum, such as *31C3, at the end")
        return end

    def _take(self, line: bytes | bytearray, start: int, end: int) -> None:
        """Add a line's record. Raises BadLineError."""
        count = len(self._records)
        draft = self._drafts[count] if count < len(self._drafts) else Draft()
        scanner = self._scanner
        scanner.lists = draft.lists
        scanner.scan(line, start, end)
        found = scanner.found
        said = found[OP]
        op = REPORT
        if isinstance(said, str):
            op = OPS.index(said)
        elif found[PACK] is None:
            raise BadLineError("op: expected report, bus or request, or the name of a pack")
        self._check_keys(op)
        if op == REPORT:
            self._fill(draft.report, op)
            self._check_report(draft.report)
            if count >= len(self._drafts) and count < KEPT_REPORTS:
                self._drafts.append(draft)
            self._records.append(draft.report)
        elif op == BUS:
            bus = self._bus if count == 0 else BusReport(0)
            self._fill(bus, op)
            self._check_bus(bus)
            self._records.append(bus)
        else:
            request = self._request if count == 0 else Request("")
            self._fill(request, op)
            if request.source is None:
                request.source = ""
            self._records.append(request)

    def _check_keys(self, op: int) -> None:
        """Refuse a key that another kind of line has."""
        seen = self._scanner.seen
        allowed = KEYS_OF[op]
        for number in range(2, len(seen)):  # op and t stand first, and may stand in all
            if seen[number] and number not in allowed:
                raise BadLineError(KEY_NAMES[number] + ": expected a field of a " + OPS[op])

    def _fill(self, record: PackReport | BusReport | Request, op: int) -> None:
        found = self._scanner.found
        for number in KEYS_OF[op]:
            setattr(record, KEY_NAMES[number], found[number])

    def _check_report(self, report: PackReport) -> None:
        if report.pack is None:
            raise BadLineError("pack: expected the name of a pack, got null")
        refusal = bad_int(report, REPORT_INTS)
        if refusal is not None:
            raise BadLineError(str(refusal))
        names, samples = self._scanner.packs.texts, self._samples
        while len(samples) < len(names):
            samples.append(0)
        row = names.index(report.pack)
        if report.sample is None:
            report.sample = (samples[row] + 1) % SAMPLE_MODULO
        samples[row] = report.sample

    def _check_bus(self, report: BusReport) -> None:
        refusal = bad_int(report, BUS_INTS)
        if refusal is not None:
            raise BadLineError(str(refusal))
        if report.sample is None:
            report.sample = (self._bus_sample + 1) % SAMPLE_MODULO
        self._bus_sample = report.sample

    def _refuse(self, why: str) -> None:
        self.counts.refuse(why)
        if not self._answers:
            return
        if len(self._pending) < MOST_ANSWERS:
            self._pending.append(json_text({"ok": False, "error": why}).encode() + NEWLINE)
        else:
            self.counts.drop("answers to refused lines: too many at once")


def _passed_over(line: bytes | bytearray, start: int, end: int) -> bool:
    """Is this no message to us: empty, a log line, or another talker's answer or view?"""
    while start < end and line[start] in b" \t\r":
        start += 1
    if start == end or line[start] == HASH:
        return True
    for opening in PASSED_OVER:
        if end - start >= len(opening):
            for i in range(len(opening)):
                if line[start + i] != opening[i]:
                    break
            else:
                return True
    return False
