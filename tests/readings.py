"""What packs read: any report that a bank takes, and banks whose packs are there or not."""

from hypothesis import strategies as st

from adapters.readings import Readings
from aggregator import PackReport, SystemView
from aggregator.report import ALARMS, REPORT_FLAGS, REPORT_INTS, REPORT_LISTS, check_report
from tests.registers import NAMES, or_none, views

CELL_COUNT = 16
EXTREMES = {name for _, _, _, low, high in REPORT_LISTS for name in (low, high)}
FLAG = st.sampled_from([True, False, None])
ALARM_NAMES = st.lists(st.sampled_from(ALARMS), max_size=4)  # also twice, in any order
PRESENCES = st.sampled_from(["live", "late", "unheard", "removed"])


@st.composite
def reports(draw: st.DrawFn, pack: str = "oak") -> PackReport:
    """Any report that a bank of 16 cells takes."""
    report = PackReport(pack, draw(st.integers(0, 65_535)))
    for name, low, high in REPORT_INTS:
        if name not in EXTREMES and name not in ("sample", "cell_count"):
            setattr(report, name, draw(or_none(st.integers(low, high))))
    report.cell_count = draw(st.sampled_from([None, CELL_COUNT]))
    for name in REPORT_FLAGS:
        setattr(report, name, draw(FLAG))
    for name, low, high, lower, upper in REPORT_LISTS:
        count = CELL_COUNT if name == "cells_mv" else draw(st.integers(1, 8))
        whole = st.lists(st.integers(low, high), min_size=count, max_size=count)
        values = draw(st.one_of(whole, st.none()))
        setattr(report, name, values)
        least, most = (min(values), max(values)) if values else sorted(
            draw(st.tuples(st.integers(low, high), st.integers(low, high)))
        )  # fmt: skip
        setattr(report, lower, draw(or_none(st.integers(low, least))))
        setattr(report, upper, draw(or_none(st.integers(most, high))))
    report.warnings = draw(st.one_of(ALARM_NAMES, ALARM_NAMES.map(set), st.none()))
    report.protections = draw(st.one_of(ALARM_NAMES, ALARM_NAMES.map(set), st.none()))
    assert check_report(report, CELL_COUNT) is None
    return report


def told(*said: PackReport) -> Readings:
    """What is kept after these reports were taken."""
    readings = Readings()
    for report in said:
        readings.heard(0, report, None)
    return readings


@st.composite
def banks(draw: st.DrawFn) -> tuple[SystemView, Readings]:
    """Any view with packs that are there or not, and what some of them have told."""
    view = draw(views())
    for row in view.packs:
        row.presence = draw(PRESENCES)
    heard = draw(st.sets(st.sampled_from(NAMES), max_size=2))
    return view, told(*(draw(reports(pack)) for pack in sorted(heard)))
