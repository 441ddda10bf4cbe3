"""Every complaint of the core, word for word: field, what was expected, what was got."""

from collections.abc import Callable

import pytest

from aggregator import BankSettings, BusReport, PackReport, PackSettings, StageSettings
from aggregator.errors import SettingsError
from aggregator.plain import settings_from
from tests.bank import Site


def site() -> Site:
    """Two packs that report; the installer opened one stage setting."""
    opened = StageSettings(adjustable=(("absorption_ms", 0, 7_200_000),))
    return Site("oak", "fir", stages=opened).is_ready()


REPORTS = [
    ({"sample": None}, "sample: expected 0..65535, got null"),
    ({"soc_permille": 1_001}, "soc_permille: expected 0..1000 or null, got 1001"),
    ({"charge_allowed": 1}, "charge_allowed: expected true, false or null, got 1"),
    ({"cell_count": 15}, "cell_count: expected 16, as in the settings, got 15"),
    ({"warnings": "x"}, 'warnings: expected names from the alarm table or null, got "x"'),
    ({"protections": 7}, "protections: expected names from the alarm table or null, got 7"),
    ({"cells_mv": 7}, "cells_mv: expected a list of integers or null, got 7"),
    ({"cells_mv": []}, "cells_mv: expected a list of integers or null, got a list"),
    ({"cells_mv": [-1] * 16}, "cells_mv: expected a list of integers in 0..5000, got -1"),
    ({"cells_mv": [3_300] * 15}, "cells_mv: expected a list of 16 cells, got 15"),
    (
        {"cells_mv": [3_300] * 16, "cell_min_mv": 3_301},
        "cell_min_mv: expected at most the least of cells_mv, got 3301",
    ),
    (
        {"cells_mv": [3_300] * 16, "cell_max_mv": 3_299},
        "cell_max_mv: expected at least the greatest of cells_mv, got 3299",
    ),
    (
        {"cell_min_mv": 3_301, "cell_max_mv": 3_300},
        "cell_min_mv: expected at most cell_max_mv (3300), got 3301",
    ),
    ({"pack": "elm"}, 'pack: expected the name of a pack in the settings, got "elm"'),
]


@pytest.mark.parametrize(("fields", "words"), REPORTS)
def test_words_of_refused_reports(fields: dict[str, object], words: str) -> None:
    """What the view shows as the last refusal, too."""
    bank = site()
    report = PackReport(**{"pack": "oak", "sample": 9, **fields})  # type: ignore[arg-type]
    assert str(bank.bank.accept(report, bank.now_ms)) == words
    assert bank.runs(1).last_refusal == words


REQUESTS = [
    (("sing",), {}, 'kind: expected one of the kinds of request, got "sing"'),
    (("restore_pack",), {"pack": "elm"}, 'pack: expected the name of a pack, got "elm"'),
    (
        ("stop_charge",),
        {"pack": "oak"},
        'pack: expected null, this concerns the whole bank, got "oak"',
    ),
    (("stop_charge",), {"value": 1}, "value: expected null for stop_charge, got 1"),
    (
        ("top_soc_permille",),
        {"value": 1_001},
        "value: expected 0..1000, got 1001",
    ),
    (
        ("stop_charge",),
        {"lasts_ms": 5},
        "lasts_ms: expected null, stop_charge does not run out, got 5",
    ),
    (
        ("cap_charge_current",),
        {"value": 1, "lasts_ms": 0},
        "lasts_ms: expected 1..432000000 or null, got 0",
    ),
    (
        ("stop_charge",),
        {"source": "\n"},
        "source: expected at most 32 plain characters, got a long or unprintable text",
    ),
    (("stop_charge",), {"field": "x"}, 'field: expected null for stop_charge, got "x"'),
    (
        ("adjust_stage",),
        {"field": "float_mv", "value": 53_000},
        'field: expected a stage setting that the installer opened, got "float_mv"',
    ),
    (
        ("adjust_stage",),
        {"field": "absorption_ms", "value": 7_200_001},
        "value: expected 0..7200000, the installer's bounds, got 7200001",
    ),
    (
        ("clear",),
        {"field": "stop_charge"},
        'field: expected a wish in force, of this pack and source, got "stop_charge"',
    ),
    (
        ("declare_removed",),
        {"pack": "oak"},
        'pack: expected a pack that does not report, got "oak"',
    ),
]


@pytest.mark.parametrize(("kind", "fields", "words"), REQUESTS)
def test_words_of_refused_requests(kind: tuple[str], fields: dict[str, object], words: str) -> None:
    """The owner reads them on a phone."""
    assert str(site().asks(*kind, **fields)) == words


def test_words_of_a_wish_too_many() -> None:
    """The seventeenth is named with its kind."""
    bank = site()
    for number in range(16):
        assert bank.asks("cap_charge_current", value=number, source=str(number)) is None
    refusal = bank.asks("cap_charge_current", value=1, source="late")
    expected = "at most 16 wishes at a time; clear one first"
    assert str(refusal) == f'kind: expected {expected}, got "cap_charge_current"'


def test_words_of_a_start_too_soon() -> None:
    """The setting is named that says how long to wait."""
    bank = site()
    expected = "restart_min_interval_ms since the last start"
    assert str(bank.asks("start_bulk")) == f'kind: expected {expected}, got "start_bulk"'


def test_words_for_what_is_no_report_and_no_time() -> None:
    """Something else altogether, for each door of the core."""
    core = site().bank
    assert str(core.accept(1, 5)) == "report: expected a PackReport, got 1"  # type: ignore[arg-type]
    assert str(core.bus(1, 5)) == "report: expected a BusReport, got 1"  # type: ignore[arg-type]
    assert str(core.bus(BusReport(None), 5)) == "sample: expected 0..65535, got null"  # type: ignore[arg-type]
    assert str(core.request(1, 5)) == "request: expected a Request, got 1"  # type: ignore[arg-type]
    untimely = core.accept(PackReport("oak", 1), "noon")  # type: ignore[arg-type]
    assert str(untimely) == 'now_ms: expected an integer of milliseconds, got "noon"'


STATES = [
    ({"version": 9}, "version: expected {version}, got 9"),
    ({"stage": "paused"}, 'stage: expected bulk, absorption or float, got "paused"'),
    ({"elapsed_ms": -1}, "elapsed_ms: expected 0..{most}, got -1"),
    ({"wish.0.kind": "x"}, 'wish.0.kind: expected a kind of wish, got "x"'),
    ({"wish.0.left_ms": 0}, "wish.0.left_ms: expected -1 or 1..432000000, got 0"),
    ({"wish.0.value": -1}, "wish.0.value: expected 0..{amperes}, got -1"),
    ({"wish.0.source": 5}, "wish.0.source: expected at most 32 plain characters, got 5"),
    ({"share_blocks": -1}, "share_blocks: expected 0..{huge}, got -1"),
    ({"share.oak.squares": -1}, "share.oak.squares: expected 0..{huge}, got -1"),
    ({"share.oak.products": "x"}, 'share.oak.products: expected -{huge}..{huge}, got "x"'),
    ({"share.oak.connected": 2}, "share.oak.connected: expected 0..1, got 2"),
]


@pytest.mark.parametrize(("fields", "words"), STATES)
def test_words_of_refused_states(fields: dict[str, object], words: str) -> None:
    """A kept state that somebody edited is refused whole, and the key is named."""
    bank = site()
    bank.asks("cap_charge_current", value=5_000)
    state = bank.bank.snapshot()
    shares = {"share.oak.products": 0, "share.oak.squares": 0, "share.oak.connected": 1}
    told = str(bank.bank.restore({**state, **shares, **fields}, 0))  # type: ignore[dict-item]
    numbers = {
        "version": state["version"],
        "most": (1 << 29) - 1,
        "amperes": 32_000_000,
        "huge": 1 << 40,
    }
    assert told == words.format(**numbers)


def test_words_for_what_is_no_state() -> None:
    """Something else altogether."""
    told = str(site().bank.restore([], 0))  # type: ignore[arg-type]
    assert told == "state: expected a dict from snapshot(), got a list"


def oak(**fields: object) -> Callable[[], object]:
    return lambda: PackSettings(**{"pack": "oak", **fields})  # type: ignore[arg-type]


def stages(**fields: object) -> Callable[[], object]:
    return lambda: StageSettings(**fields)  # type: ignore[arg-type]


def bank(*packs: object, **fields: object) -> Callable[[], object]:
    return lambda: BankSettings(list(packs or [PackSettings("oak")]), **fields)  # type: ignore[arg-type]


def plain(value: object) -> Callable[[], object]:
    return lambda: settings_from(value)


PAIRS = "pairs (x, permille 0..1000) with rising x"
SETTINGS = [
    (oak(pack="Oak!"), 'pack: expected 1..16 characters of a-z 0-9 -, got "Oak!"'),
    (oak(colour="red"), 'colour: expected a setting of a pack, got "red"'),
    (oak(capacity_mah=-1), "capacity_mah: expected 1000..2000000 or null, got -1"),
    (oak(sensor_tolerance_ma=None), "sensor_tolerance_ma: expected 0..50000, got null"),
    (oak(opens_path_on_refusal=1), "opens_path_on_refusal: expected true or false, got 1"),
    (oak(charge_cell_curve=5), f"charge_cell_curve: expected {PAIRS}, got 5"),
    (oak(charge_cell_curve=[5]), f"charge_cell_curve: expected {PAIRS}, got 5"),
    (oak(charge_cell_curve=[(10_001, 0)]), f"charge_cell_curve: expected {PAIRS}, got 10001"),
    (oak(charge_cell_curve=[(1, 1_001)]), f"charge_cell_curve: expected {PAIRS}, got 1001"),
    (oak(charge_cell_curve=[(2, 0), (2, 1)]), f"charge_cell_curve: expected {PAIRS}, got 2"),
    (
        stages(absorption_mode="long"),
        'absorption_mode: expected timer or until_full, got "long"',
    ),
    (
        stages(absorption_min_ms=60_001, absorption_max_ms=60_000),
        "absorption_min_ms: expected at most absorption_max_ms, got 60001",
    ),
    (
        stages(adjustable=[("absorption_ms", 0, "x")]),
        'adjustable: expected rows (stage field, lowest, highest), got "absorption_ms"',
    ),
    (
        stages(adjustable=[("absorption_ms", 1, 0)]),
        'adjustable: expected a stage field and bounds within its range, got "absorption_ms"',
    ),
    (bank(fresh_ms=30_000), "fresh_ms: expected less than unheard_ms, got 30000"),
    (
        bank(coherent_ms=20_000, coherent_keep_ms=10_000),
        "coherent_keep_ms: expected at least coherent_ms, got 10000",
    ),
    (bank(stages=5), "stages: expected StageSettings, got 5"),
    (
        bank(stages=StageSettings(float_mv=56_000, absorption_mv=55_000)),
        "float_mv: expected below absorption_mv (55000), got 56000",
    ),
    (
        bank(limp_low_voltage_mv=53_120),
        "limp_low_voltage_mv: expected below limp_voltage_mv (53120), got 53120",
    ),
    (
        bank(discharge_voltage_floor_mv=56_801),
        "discharge_voltage_floor_mv: expected below charge_voltage_ceiling_mv (56800), got 56801",
    ),
    (bank(own_packs="oak"), 'own_packs: expected a list of pack names, got "oak"'),
    (bank(own_packs=["elm"]), 'own_packs: expected names of packs, got "elm"'),
    (lambda: BankSettings([]), "packs: expected 1..64 packs, got 0"),
    (lambda: BankSettings("oak"), 'packs: expected 1..64 packs, got "oak"'),  # type: ignore[arg-type]
    (bank("oak"), 'packs: expected PackSettings, got "oak"'),
    (
        bank(PackSettings("oak"), PackSettings("oak")),
        'packs: expected every name once, got "oak"',
    ),
    (plain(5), "settings: expected an object with named fields, got 5"),
    (plain({"x": 1}), 'settings: expected only fields of the settings reference, got "x"'),
    (plain({}), "packs: expected a list of packs, got null"),
    (plain({"packs": 5}), "packs: expected a list of packs, got 5"),
    (
        plain({"packs": [{"pack": "oak", "capacity_mah": -1}]}),
        "packs[0].capacity_mah: expected 1000..2000000 or null, got -1",
    ),
    (
        plain({"packs": [{"pack": "oak"}], "stages": {"absorption_mode": "long"}}),
        'stages.absorption_mode: expected timer or until_full, got "long"',
    ),
]


@pytest.mark.parametrize(("make", "words"), SETTINGS)
def test_words_of_refused_settings(make: Callable[[], object], words: str) -> None:
    """Settings that cannot be right raise, and say where."""
    with pytest.raises(SettingsError) as caught:
        make()
    assert str(caught.value) == words
