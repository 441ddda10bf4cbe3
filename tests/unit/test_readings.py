"""What is kept of each pack's last report, and for how long it counts."""

import pytest
from hypothesis import given

from adapters.readings import Readings
from aggregator import Aggregator, BankSettings, BusReport, PackReport, PackRow, PackSettings
from aggregator.errors import Refusal
from tests.readings import reports, told


def test_a_report_is_copied() -> None:
    """Talkers use their reports again: what is kept does not change with them."""
    report = PackReport("oak", 1, voltage_mv=53_000, cells_mv=[3_310, 3_320], warnings=["other"])
    readings = told(report)
    report.voltage_mv, report.warnings = 1, None
    assert report.cells_mv is not None
    report.cells_mv[0] = 0  # type: ignore[index]  # it is a list
    kept = readings.of("oak")
    assert kept is not None
    assert (kept.voltage_mv, kept.cells_mv, kept.warnings) == (53_000, (3_310, 3_320), ("other",))


def test_only_what_the_bank_took_is_kept() -> None:
    """Not a refused report, and not a meter's."""
    readings = Readings()
    readings.heard(0, PackReport("oak", 1, voltage_mv=1), Refusal("voltage_mv", "more", 1))
    readings.heard(0, BusReport(1, voltage_mv=53_000), None)
    assert readings.of("oak") is None


@pytest.mark.parametrize(
    ("presence", "reads"), [("live", True), ("late", True), ("unheard", False), ("removed", False)]
)
def test_a_pack_that_is_not_there_reads_nothing(presence: str, reads: bool) -> None:
    """However much it had told."""
    row = PackRow("oak")
    row.presence = presence
    assert (told(PackReport("oak", 1)).now(row) is not None) == reads
    assert Readings().now(row) is None


def test_alarms_come_once_and_in_order() -> None:
    """However they were told, the same alarms look the same."""
    kept = told(PackReport("oak", 1, protections=["short_circuit", "other", "other"])).of("oak")
    assert kept is not None
    assert (kept.protections, kept.warnings) == (("other", "short_circuit"), None)


@given(reports())
def test_extremes_are_those_of_the_bank(report: PackReport) -> None:
    """What one pack reads at most and at least, and where, is what its bank of one pack says."""
    bank = Aggregator(BankSettings([PackSettings("oak")]))
    report.age_ms = None
    assert bank.accept(report, 0) is None
    view, kept = bank.step(0), told(report).of("oak")
    assert kept is not None
    for name in ("cell_min_mv", "cell_max_mv", "temperature_min_decic", "temperature_max_decic"):
        assert getattr(kept, name) == getattr(view, name)
    for extreme in ("cell_min", "cell_max"):
        if getattr(view, extreme + "_mv") is not None:
            assert getattr(kept, extreme + "_no") == getattr(view, extreme + "_no")
