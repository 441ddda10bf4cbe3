"""Each pack's last reading, for outputs that show packs one by one.

The bank's view tells what the packs are together; what one of them reads is here. A reading stays
as it was last told, however old: whether the pack is there, its row in the view says. Extremes that
a report left open are taken from its lists, as the bank does.
"""

from collections.abc import Sequence

from adapters.links import Record
from aggregator import PackReport, PackRow
from aggregator.errors import Refusal

THERE = ("live", "late")  # a pack that is anything else reads nothing now


class Readings:
    """The last report of each pack that the bank took, as copies (talkers use theirs again)."""

    def __init__(self) -> None:
        self._last: dict[str, PackReport] = {}

    def heard(self, now_ms: int, record: Record, refusal: Refusal | None) -> None:
        """Keep a report that was taken."""
        if refusal is not None or not isinstance(record, PackReport):
            return
        kept = self._last.get(record.pack)
        if kept is None:
            kept = self._last[record.pack] = PackReport(record.pack, 0)
        for name in PackReport.__slots__:
            value = getattr(record, name)
            setattr(kept, name, tuple(value) if isinstance(value, (list, set)) else value)
        _order_alarms(kept)
        _find_extremes(kept)

    def of(self, pack: str) -> PackReport | None:
        """Return a pack's last report; None: none yet."""
        return self._last.get(pack)

    def now(self, row: PackRow) -> PackReport | None:
        """Return what a pack reads now: its last report while it is live or late, else None."""
        return self._last.get(row.pack) if row.presence in THERE else None


def _order_alarms(report: PackReport) -> None:
    """Name each alarm once, in one order, so that the same ones always look the same."""
    if report.warnings is not None:
        report.warnings = tuple(sorted(set(report.warnings)))
    if report.protections is not None:
        report.protections = tuple(sorted(set(report.protections)))


def _find_extremes(report: PackReport) -> None:
    """Take the extremes, and where they are, from the lists, where the report left them open."""
    cells_mv, temperatures_decic = report.cells_mv, report.temperatures_decic
    if cells_mv:
        report.cell_min_mv = _or(report.cell_min_mv, min(cells_mv))
        report.cell_max_mv = _or(report.cell_max_mv, max(cells_mv))
        report.cell_min_no = _or(report.cell_min_no, _number(cells_mv, report.cell_min_mv))
        report.cell_max_no = _or(report.cell_max_no, _number(cells_mv, report.cell_max_mv))
    if temperatures_decic:
        coldest, hottest = min(temperatures_decic), max(temperatures_decic)
        report.temperature_min_decic = _or(report.temperature_min_decic, coldest)
        report.temperature_max_decic = _or(report.temperature_max_decic, hottest)


def _or(known: int | None, found: int | None) -> int | None:
    return found if known is None else known


def _number(cells_mv: Sequence[int], value_mv: int | None) -> int | None:
    """Return the number, from 1, of the first cell at a voltage; None: no cell is."""
    return cells_mv.index(value_mv) + 1 if value_mv in cells_mv else None
