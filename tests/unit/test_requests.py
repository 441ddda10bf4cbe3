"""What the owner asks: every kind taken once, every kind of nonsense refused, the strictest wins."""

import pytest

from aggregator import Request, StageSettings
from aggregator.ranges import STAGE_INTS
from aggregator.requests import KINDS, LONGEST_SOURCE, MOST_REQUESTS, WISH
from tests.bank import Site

NAMES = [row[0] for row in KINDS]
NO_NUMBERS = (None, "", "7", 1.0, True, [], {}, -1, 10**30)
OPEN = StageSettings(adjustable=(("absorption_ms", 0, 7_200_000),), restart_min_interval_ms=0)


def good(kind: str) -> dict[str, object]:
    """Fields that make a good request of this kind."""
    fields: dict[str, object] = {"source": "phone"}
    for name, _, needs_pack, low, high, _ in KINDS:
        if name == kind:
            if needs_pack:
                fields["pack"] = "fir"
            if low is not None and high is not None:
                fields["value"] = (low + high) // 2
    if kind == "adjust_stage":
        fields |= {"field": "absorption_ms", "value": 600_000}
    if kind == "clear":
        fields["field"] = "stop_charge"
    return fields


def site_for(kind: str) -> Site:
    """A bank in which a good request of this kind can be carried out."""
    site = Site("oak", "fir", stages=OPEN)
    if kind == "clear":
        site.asks("stop_charge", source="phone")
    return site


def refusal_of(kind: str, **fields: object) -> str:
    """The field for which a request is refused."""
    refusal = site_for(kind).asks(kind, **{**good(kind), **fields})
    assert refusal is not None
    return refusal.field


@pytest.mark.parametrize("kind", NAMES)
def test_every_kind_is_taken(kind: str) -> None:
    """A good request of each kind is not refused, nor is one from nobody in particular."""
    assert site_for(kind).asks(kind, **good(kind)) is None
    if kind != "clear":
        assert site_for(kind).asks(kind, **{**good(kind), "source": ""}) is None


@pytest.mark.parametrize("row", KINDS, ids=NAMES)
def test_values_are_taken_within_their_range_only(
    row: tuple[str, str, bool, int | None, int | None, bool],
) -> None:
    """Both ends are good, one beyond is not; a kind without a value takes none."""
    kind, _, _, low, high, _ = row
    if low is None or high is None:
        for value in (0, 1, "", True, []):
            assert refusal_of(kind, value=value) == "value"
        return
    if kind != "adjust_stage":  # the installer's bounds are narrower, see test_commands.py
        for value in (low, high):
            assert site_for(kind).asks(kind, **{**good(kind), "value": value}) is None
    for value in (low - 1, high + 1, *NO_NUMBERS):
        assert refusal_of(kind, value=value) == "value"


@pytest.mark.parametrize("row", KINDS, ids=NAMES)
def test_packs_are_named_where_one_is_meant_and_only_there(
    row: tuple[str, str, bool, int | None, int | None, bool],
) -> None:
    """Withholding or declaring needs a pack of the settings; the bank's wishes take none."""
    kind, _, needs_pack, *_ = row
    for pack in ("elm", "", "FIR", 7, True, [], {}):
        assert refusal_of(kind, pack=pack) == "pack"
    if needs_pack:
        assert refusal_of(kind, pack=None) == "pack"
    elif kind != "clear":
        assert refusal_of(kind, pack="fir") == "pack"


@pytest.mark.parametrize("row", KINDS, ids=NAMES)
def test_only_some_kinds_run_out(
    row: tuple[str, str, bool, int | None, int | None, bool],
) -> None:
    """1 ms to 120 h where a wish may run out; latches and commands take no time at all."""
    kind, sort, *_, may_run_out = row
    if may_run_out:
        assert sort == WISH
        for lasts_ms in (1, 432_000_000):
            assert site_for(kind).asks(kind, **good(kind), lasts_ms=lasts_ms) is None
        for bad in (0, -1, 432_000_001, "", 1.0, True, [], {}):
            assert refusal_of(kind, lasts_ms=bad) == "lasts_ms"
    else:
        for bad in (1, 60_000, 0, "", True):
            assert refusal_of(kind, lasts_ms=bad) == "lasts_ms"


@pytest.mark.parametrize("kind", NAMES)
def test_sources_are_short_and_plain(kind: str) -> None:
    """Up to 32 printable characters."""
    if kind != "clear":
        fields = {**good(kind), "source": "s" * LONGEST_SOURCE}
        assert site_for(kind).asks(kind, **fields) is None
    for bad in ("s" * 33, "two\nlines", "\u00e9", None, 7, [], {}):
        assert refusal_of(kind, source=bad) == "source"


@pytest.mark.parametrize("kind", [name for name in NAMES if name not in ("clear", "adjust_stage")])
def test_a_field_means_something_in_two_commands_only(kind: str) -> None:
    """`field` belongs to clear and adjust_stage."""
    assert refusal_of(kind, field="absorption_ms") == "field"


@pytest.mark.parametrize("kind", [None, "", "stop", "STOP_CHARGE", 7, True, [], {}])
def test_an_unknown_kind_is_refused(kind: object) -> None:
    """Only the kinds of the table exist."""
    refusal = Site("oak").asks(kind)  # type: ignore[arg-type]
    assert refusal is not None
    assert refusal.field == "kind"


@pytest.mark.parametrize("request_", [None, 7, "stop_charge", {"kind": "stop_charge"}, []])
def test_anything_but_a_request_is_refused(request_: object) -> None:
    """`request` takes requests and survives everything else."""
    refusal = Site("oak").bank.request(request_, 0)  # type: ignore[arg-type]
    assert refusal is not None
    assert refusal.field == "request"


@pytest.mark.parametrize("now_ms", [None, "0", 0.0, True, [], {}])
def test_a_request_needs_a_time(now_ms: object) -> None:
    """Without a time nobody knows how long it lasts."""
    refusal = Site("oak").bank.request(Request("stop_charge"), now_ms)  # type: ignore[arg-type]
    assert refusal is not None
    assert refusal.field == "now_ms"


def test_a_refused_request_changes_nothing_but_the_count() -> None:
    """The wish that was there stays, and the view tells of the refusal."""
    site = Site("oak").is_ready()
    site.asks("cap_charge_current", value=30_000)
    assert site.asks("cap_charge_current", value=-1) is not None
    view = site.runs(1)
    assert view.charge_current_limit_ma == 30_000
    assert view.rejected == 1
    assert view.last_refusal == "value: expected 0..32000000, got -1"


# What wishes come to.


def test_the_strictest_wish_wins_whatever_their_order() -> None:
    """Of 50, 30 and 40 A it is 30 A, asked in any order."""
    for order in ((50, 30, 40), (30, 40, 50), (50, 40, 30)):
        site = Site("oak").is_ready()
        for ampere in order:
            site.asks("cap_charge_current", value=ampere * 1_000, source=f"s{ampere}")
        assert site.runs(1).charge_current_limit_ma == 30_000


def test_a_repeat_by_the_same_source_replaces() -> None:
    """Who asked for 30 A may ask for 60 A instead; somebody else's 50 A then win."""
    site = Site("oak").is_ready()
    site.asks("cap_charge_current", value=30_000, source="phone")
    site.asks("cap_charge_current", value=50_000, source="panel")
    site.asks("cap_charge_current", value=60_000, source="phone")
    site.runs(10)
    assert site.view.charge_current_limit_ma == 50_000


def test_at_most_16_wishes_are_kept() -> None:
    """The 17th is refused, a repeat of one of the 16 is not, and a cleared one makes room."""
    site = Site("oak").is_ready()
    for number in range(MOST_REQUESTS):
        assert site.asks("cap_charge_current", value=50_000, source=f"s{number}") is None
    refusal = site.asks("cap_charge_current", value=10_000, source="one more")
    assert refusal is not None
    assert refusal.field == "kind"
    assert site.runs(1).charge_current_limit_ma == 50_000
    assert site.asks("cap_charge_current", value=40_000, source="s3") is None
    assert site.asks("clear", field="cap_charge_current", source="s5") is None
    assert site.asks("cap_charge_current", value=10_000, source="one more") is None
    assert site.runs(1).charge_current_limit_ma == 10_000


def test_a_wish_runs_out() -> None:
    """A cap of five seconds binds for five seconds, counted from when it was asked."""
    site = Site("oak").is_ready()
    site.asks("cap_charge_current", value=30_000, lasts_ms=5_000)
    assert [site.runs(1).charge_current_limit_ma for _ in range(5)] == [30_000] * 4 + [35_000]


def test_a_wish_asked_long_after_the_last_step_lasts_all_the_same() -> None:
    """Its time counts from the request, not from the step before."""
    site = Site("oak").is_ready()
    site.now_ms += 9_000
    site.asks("cap_charge_current", value=30_000, lasts_ms=5_000)
    assert site.runs(1).charge_current_limit_ma == 30_000
    assert site.runs(4).charge_current_limit_ma > 30_000


def test_wishes_only_narrow() -> None:
    """Asking for more than there is changes nothing."""
    site = Site("oak", "fir").is_ready()
    before = [cap.value for cap in site.bank.why("charge_current")]
    site.asks("cap_charge_current", value=300_000)
    site.asks("cap_discharge_current", value=300_000)
    site.runs(1)
    assert site.view.charge_current_limit_ma == before[0]


def test_a_withheld_pack_is_left_out_both_ways_until_restored() -> None:
    """It adds nothing, its row still binds, and restore_pack undoes everybody's wish at once."""
    site = Site("oak", "fir").is_ready()
    site.asks("withhold_pack", pack="fir", source="phone")
    site.asks("withhold_pack", pack="fir", source="panel")
    site.runs(1)
    assert site.row("fir").charge_contribution_ma == 0
    assert site.row("fir").discharge_contribution_ma == 0
    assert site.row("fir").why_ignored == "charge: withheld"
    assert site.asks("restore_pack", pack="fir") is None
    site.runs(1)
    assert site.row("fir").charge_contribution_ma == 100_000


@pytest.mark.parametrize("way", ["charge", "discharge"])
def test_a_stop_latches_until_it_is_cleared(way: str) -> None:
    """stop_charge and stop_discharge hold for days, each for its own direction."""
    other = "discharge" if way == "charge" else "charge"
    site = Site("oak").is_ready()
    site.asks("stop_" + way, source="panel")
    site.runs(200_000, every_s=600)
    assert site.binding(way + "_current") == ("owner_stop", None)
    assert getattr(site.view, other + "_allowed") is True
    assert site.asks("clear", field="stop_" + way, source="panel") is None
    site.runs(60)
    assert getattr(site.view, way + "_allowed") is True


def test_every_stage_number_can_be_named_by_adjust_stage() -> None:
    """The names of `adjust_stage` are the numbers of StageSettings."""
    assert {row[0] for row in STAGE_INTS} <= set(vars(StageSettings()))
