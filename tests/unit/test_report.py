"""A report that cannot be true is refused whole; a report that says little is taken."""

import pytest

from aggregator import Aggregator, BankSettings, BusReport, PackReport, PackSettings, Refusal
from aggregator.errors import told
from aggregator.report import (
    ALARMS,
    BUS_INTS,
    REPORT_FLAGS,
    REPORT_INTS,
    REPORT_LISTS,
    alarm_bits,
    alarm_names,
    bad_id,
)
from tests.bank import Site

HUGE = (1 << 31, -(1 << 31), 1 << 64, 10**30, -(10**30))
NO_NUMBERS = ("", "7", 1.0, float("nan"), float("inf"), True, False, [], [7], {}, {"a": 1}, b"7")
NO_FLAGS = (0, 1, "", "true", "yes", 1.0, [], [True], {})
NO_LISTS = ("", "oak", 7, 1.0, True, {}, {"other": 1}, [7], [None], [["other"]], ["nonsense"])
FIELDS = [row[0] for row in REPORT_INTS]


def refused(**fields: object) -> Refusal:
    """Send one report and return why it was refused."""
    site = Site("oak")
    refusal = site.reports("oak", **fields)
    assert refusal is not None
    return refusal


@pytest.mark.parametrize(("name", "low", "high"), REPORT_INTS, ids=FIELDS)
def test_integers_are_taken_up_to_their_bounds(name: str, low: int, high: int) -> None:
    """Both ends of a field's range are good values, and one beyond is not."""
    site = Site("oak", cell_count=high if name == "cell_count" else 16)
    site.words["oak"] = {}
    assert site.reports("oak", **{name: high}) is None
    assert str(site.reports("oak", **{name: high + 1})).startswith(name + ": expected ")
    if name != "cell_count":
        assert site.reports("oak", **{name: low}) is None
    assert str(site.reports("oak", **{name: low - 1})).startswith(name + ": expected ")


@pytest.mark.parametrize("name", FIELDS)
@pytest.mark.parametrize("value", HUGE + NO_NUMBERS, ids=lambda v: repr(v)[:12])
def test_integers_of_another_type_or_size_are_refused(name: str, value: object) -> None:
    """Huge numbers, texts, fractions, booleans and containers are no integers of ours."""
    assert refused(**{name: value}).field == name


@pytest.mark.parametrize("name", REPORT_FLAGS)
@pytest.mark.parametrize("value", NO_FLAGS, ids=repr)
def test_flags_of_another_type_are_refused(name: str, value: object) -> None:
    """A yes/no is true, false or unknown: 0 and 1 are numbers."""
    assert refused(**{name: value}).field == name


@pytest.mark.parametrize("name", ["warnings", "protections"])
@pytest.mark.parametrize("value", NO_LISTS, ids=repr)
def test_alarms_outside_the_table_are_refused(name: str, value: object) -> None:
    """Alarm lists hold names of the table and nothing else."""
    assert refused(**{name: value}).field == name


@pytest.mark.parametrize("name", [row[0] for row in REPORT_LISTS])
@pytest.mark.parametrize(
    "value",
    ["", "3310", 3310, 1.0, True, {}, [], [3310.0] * 16, [True] * 16, [None] * 16, [10**30] * 16],
    ids=lambda v: repr(v)[:12],
)
def test_reading_lists_of_another_kind_are_refused(name: str, value: object) -> None:
    """A list of cells or sensors holds integers in range, and at least one."""
    assert refused(**{name: value}).field == name


@pytest.mark.parametrize("value", [None, "", "Oak", "o ak", "a" * 17, "\u00f6", 7, True, [], {}])
def test_ids_are_short_and_plain(value: object) -> None:
    """A pack's name is 1..16 characters of a-z, 0-9 and -."""
    refusal = bad_id(value)
    assert refusal is not None
    assert refusal.field == "pack"
    assert bad_id("a-z-0-9-") is None
    assert bad_id("a" * 16) is None


@pytest.mark.parametrize("pack", ["elm", "OAK", "", None, 7, 1.0, True, [], {}, b"oak"])
def test_an_unknown_pack_is_refused(pack: object) -> None:
    """Only the packs of the settings may report."""
    site = Site("oak")
    refusal = site.bank.accept(PackReport(pack, 1), 0)  # type: ignore[arg-type]
    assert refusal is not None
    assert refusal.field == "pack"


@pytest.mark.parametrize("report", [None, 7, "oak", [], {"pack": "oak", "sample": 1}])
def test_anything_but_a_report_is_refused(report: object) -> None:
    """`accept` and `bus` take reports and survive everything else."""
    bank = Aggregator(BankSettings([PackSettings("oak")]))
    for take in (bank.accept, bank.bus):
        refusal = take(report, 0)  # type: ignore[operator]
        assert refusal is not None
        assert refusal.field == "report"


@pytest.mark.parametrize(
    ("fields", "place"),
    [
        ({"cell_min_mv": 3_316}, "cell_min_mv"),  # HEALTHY says 3 315 for the highest
        ({"temperature_min_decic": 221}, "temperature_min_decic"),
        ({"cell_count": 15}, "cell_count"),
        ({"cells_mv": [3_310] * 15}, "cells_mv"),
        ({"cells_mv": [3_310] * 17}, "cells_mv"),
        ({"cells_mv": [3_309] + [3_310] * 15}, "cell_min_mv"),
        ({"cells_mv": [3_316] + [3_310] * 15}, "cell_max_mv"),
        ({"temperatures_decic": [199, 210]}, "temperature_min_decic"),
        ({"temperatures_decic": [210, 221]}, "temperature_max_decic"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_contradictions_are_refused(fields: dict[str, object], place: str) -> None:
    """A report that contradicts itself or the settings tells nothing that can be trusted."""
    assert refused(**fields).field == place


def test_a_bad_report_is_refused_whole_and_counted() -> None:
    """Nothing of a bad report is taken, and the view names what was wrong with it."""
    site = Site("oak")
    site.runs(5)
    assert site.reports("oak", current_ma=50_000, soc_permille=1_200) is not None
    view = site.bank.step(site.now_ms)
    assert view.current_ma == 0
    assert view.rejected == 1
    assert view.last_refusal == "soc_permille: expected 0..1000 or null, got 1200"


def test_a_report_may_say_next_to_nothing() -> None:
    """Every field but pack and sample may be unknown."""
    bank = Aggregator(BankSettings([PackSettings("oak")]))
    assert bank.accept(PackReport("oak", 1), 0) is None
    view = bank.step(0)
    assert view.voltage_mv is None
    assert view.soc_permille is None
    assert view.rejected == 0


def test_a_report_without_a_sample_is_refused() -> None:
    """Without a sample number nobody could tell a new reading from an old one."""
    assert refused(sample=None).field == "sample"


def test_the_adapter_may_reuse_its_report() -> None:
    """The core copies what it takes: a report changed afterwards changes nothing."""
    bank = Aggregator(BankSettings([PackSettings("oak")]))
    report = PackReport("oak", 1, voltage_mv=53_000, current_ma=7_000)
    for sample in (1, 2, 3):
        report.sample = sample
        bank.accept(report, sample * 1_000)
    report.current_ma = 99_000
    assert bank.step(3_000).current_ma == 7_000


@pytest.mark.parametrize(("name", "low", "high"), BUS_INTS, ids=[row[0] for row in BUS_INTS])
def test_bus_readings_are_checked_alike(name: str, low: int, high: int) -> None:
    """A bus reading is taken within its ranges and refused outside, or of another type."""
    bank = Aggregator(BankSettings([PackSettings("oak")]))
    for value in (low, high):
        assert bank.bus(BusReport(**{"sample": 1, name: value}), 0) is None  # type: ignore[arg-type]
    for bad in (low - 1, high + 1, *HUGE, *NO_NUMBERS):
        refusal = bank.bus(BusReport(**{"sample": 1, name: bad}), 0)  # type: ignore[arg-type]
        assert refusal is not None
        assert refusal.field == name
    assert str(bank.bus(BusReport(None), 0)) == "sample: expected 0..65535, got null"  # type: ignore[arg-type]


def test_alarms_survive_the_way_through_bits() -> None:
    """Names turn into private bits and back, in alphabetical order; the table is one."""
    assert list(ALARMS) == sorted(ALARMS)
    assert alarm_names(alarm_bits(set(ALARMS))) == ALARMS
    assert alarm_names(alarm_bits(["other", "cell_imbalance", "other"])) == (
        "cell_imbalance",
        "other",
    )
    assert alarm_bits(None) == 0


@pytest.mark.parametrize(("count", "taken"), [(0, False), (1, True), (255, True), (256, False)])
def test_a_pack_has_up_to_255_sensors(count: int, taken: bool) -> None:
    """A list of temperatures may be as long as their numbers reach, and not empty."""
    bank = Aggregator(BankSettings([PackSettings("oak")]))
    report = PackReport("oak", 1, temperatures_decic=[200] * count)
    assert (bank.accept(report, 0) is None) is taken


@pytest.mark.parametrize("kind", [list, tuple, set])
@pytest.mark.parametrize("field", ["warnings", "protections"])
def test_alarms_come_as_lists_tuples_or_sets(field: str, kind: type) -> None:
    """Of any names of the table, or of none; of no other kind, and of no other names."""
    bank = Aggregator(BankSettings([PackSettings("oak")]))
    for sample, names in enumerate(((), ("board_over_temperature",), ALARMS)):
        report = PackReport("oak", sample, **{field: kind(names)})  # type: ignore[arg-type]
        assert bank.accept(report, 0) is None
        assert getattr(bank.step(0), field) == names
    for bad in (kind(("weather",)), frozenset(), {}, "other", 0, False):
        report = PackReport("oak", 9, **{field: bad})  # type: ignore[arg-type]
        refusal = bank.accept(report, 0)
        assert refusal is not None
        assert refusal.field == field


@pytest.mark.parametrize("kind", [list, tuple])
@pytest.mark.parametrize(
    ("name", "low", "high"), [row[:3] for row in REPORT_LISTS], ids=[row[0] for row in REPORT_LISTS]
)
def test_lists_reach_to_their_ends(name: str, low: int, high: int, kind: type) -> None:
    """The lowest and the highest value of a list's table are taken, and nothing beyond."""
    bank = Aggregator(BankSettings([PackSettings("oak")]))
    for value, taken in ((low - 1, False), (low, True), (high, True), (high + 1, False)):
        report = PackReport("oak", 1, **{name: kind([value] * 16)})
        assert (bank.accept(report, 0) is None) is taken
    report = PackReport("oak", 1, **{name: {low, high}})
    assert bank.accept(report, 0) is not None


def test_a_name_has_1_to_16_characters() -> None:
    """The shortest and the longest names are names; what is none is told as it came."""
    for name in ("a", "z", "0", "9", "-", "a" * 16):
        assert bad_id(name) is None
    for name in ("", "a" * 17, "A", "`", "{", "/", ":", "a b", 7):
        assert str(bad_id(name)).endswith(f"got {told(name)}")
