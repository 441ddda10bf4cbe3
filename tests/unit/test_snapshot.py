"""What survives a restart: shares, the stage and its timers, wishes, declarations."""

import json

import pytest

from aggregator import StageSettings
from aggregator.cycle import FULL_MINUTES, FULL_MS, TIMERS
from tests.bank import Site, in_absorption, in_float

SHORT = StageSettings(absorption_ms=60_000, restart_min_interval_ms=0)


def restarted(before: Site, *packs: str, stages: StageSettings = SHORT) -> Site:
    """The site after a restart: nothing known but the snapshot, through a JSON file."""
    site = Site(*(packs or ("oak", "fir")), stages=stages, start_ms=5_000_000)
    state = json.loads(json.dumps(before.bank.snapshot()))
    assert site.bank.restore(state, site.now_ms) is None
    site.words = {pack: dict(before.words.get(pack, site.words[pack])) for pack in site.words}
    return site


def refused(state: object) -> str:
    """Why a state is not taken: its field."""
    refusal = Site("oak", "fir").bank.restore(state, 0)  # type: ignore[arg-type]
    assert refusal is not None
    return refusal.field


def test_a_snapshot_is_plain() -> None:
    """A flat dict of texts to integers and texts."""
    site = in_float()
    site.asks("cap_charge_current", value=30_000, lasts_ms=60_000, source="phone")
    state = site.bank.snapshot()
    assert state
    for key, value in state.items():
        assert type(key) is str
        assert type(value) in (int, str), key


def test_a_restored_snapshot_is_the_same_snapshot() -> None:
    """Nothing of it is lost or changed by taking it up."""
    site = in_absorption()
    site.asks("cap_charge_current", value=30_000, lasts_ms=600_000, source="phone")
    site.asks("withhold_pack", pack="fir", source="panel")
    site.asks("stop_discharge")
    site.runs(20)
    state = site.bank.snapshot()
    again = Site("oak", "fir", stages=SHORT)
    assert again.bank.restore(state, 0) is None
    assert again.bank.snapshot() == state


def test_limits_start_from_nothing_all_the_same() -> None:
    """Readings must be fresh and limits earned: a restart allows nothing at first."""
    site = restarted(Site("oak", "fir", stages=SHORT).is_ready())
    view = site.runs(1)
    assert (view.charge_current_limit_ma, view.discharge_current_limit_ma) == (0, 0)
    assert view.stage == "paused"


def test_the_stage_goes_on_where_it_was() -> None:
    """Forty seconds of absorption before, twenty after: float."""
    before = in_absorption()
    before.runs(40)
    site = restarted(before)
    while site.view.stage == "paused":
        site.runs(1)
    assert site.view.stage == "absorption"
    site.runs(18)
    assert site.view.stage == "absorption"
    site.runs(2)
    assert site.view.stage == "float"


def test_float_goes_on_counting() -> None:
    """Ten minutes of float end ten minutes after it began, restart or not."""
    before = in_float(restart_after_ms=600_000)
    before.runs(500)
    stages = StageSettings(restart_after_ms=600_000, restart_min_interval_ms=0)
    site = restarted(before, stages=stages)
    site.runs(95)
    assert site.view.stage == "float"
    site.runs(6)
    assert site.view.stage == "bulk"


def test_a_wish_runs_on() -> None:
    """Of ten minutes six have passed; four are left after the restart."""
    before = Site("oak", "fir", stages=SHORT).is_ready()
    before.asks("cap_charge_current", value=30_000, lasts_ms=600_000)
    before.runs(360)
    site = restarted(before)
    site.runs(239)
    assert site.view.charge_current_limit_ma == 30_000
    site.runs(2)
    assert site.view.charge_current_limit_ma > 30_000


def test_latches_and_declarations_survive() -> None:
    """A stop stays a stop, and a removed pack removed, until somebody says otherwise."""
    before = Site("oak", "fir", stages=SHORT)
    before.falls_silent("fir")
    before.runs(60)
    before.asks("stop_charge", source="panel")
    before.asks("declare_removed", pack="fir")
    site = restarted(before)
    site.falls_silent("fir")
    site.runs(100)
    assert site.row("fir").presence == "removed"
    assert site.binding("charge_current") == ("owner_stop", None)
    assert site.view.discharge_allowed is True
    assert site.asks("clear", field="stop_charge", source="panel") is None


def test_a_pack_that_has_spoken_since_is_not_removed_by_a_restore() -> None:
    """Whoever reports is connected, whatever the state of yesterday says."""
    before = Site("oak", "fir")
    before.falls_silent("fir")
    before.asks("declare_removed", pack="fir")
    site = Site("oak", "fir").is_ready()
    assert site.bank.restore(before.bank.snapshot(), site.now_ms) is None
    assert site.row("fir").presence == "live"


def learned() -> Site:
    """A bank that has learned an even split."""
    site = Site("oak", "fir").is_ready()
    for minute in range(14):
        site.says(current_ma=30_000 if minute % 2 else 10_000)
        site.runs(60, every_s=5)
    assert site.row("oak").share_permille is not None
    return site


def test_shares_are_taken_up_when_the_same_packs_are_back() -> None:
    """Learned before, in force as soon as both are heard again, and kept over a second restart."""
    before = learned()
    site = restarted(before)
    assert site.row("oak").share_permille is None
    again = restarted(site)
    for later in (site, again):
        later.runs(5)
        assert later.row("oak").share_permille == before.row("oak").share_permille


def test_shares_of_other_packs_are_not_taken_up() -> None:
    """A new pack makes another bank; the rest of the state is taken."""
    before = learned()
    before.asks("stop_charge")
    site = restarted(before, "oak", "fir", "elm")
    site.runs(60)
    assert site.row("oak").share_permille is None
    assert site.binding("charge_current") == ("owner_stop", None)


def test_the_state_of_a_large_bank_is_taken() -> None:
    """64 packs that swing by 200 A a minute make large sums, and still a good state."""
    packs = [f"p{number}" for number in range(64)]
    site = Site(*packs)
    for minute in range(14):
        site.says(current_ma=100_000 if minute % 2 else -100_000)
        site.runs(60, every_s=10)
    assert Site(*packs).bank.restore(site.bank.snapshot(), 0) is None


def test_the_owners_adjustments_survive_within_todays_bounds() -> None:
    """A value that the installer no longer allows is dropped."""
    before = Site("oak", stages=StageSettings(adjustable=(("absorption_ms", 0, 600_000),)))
    before.asks("adjust_stage", field="absorption_ms", value=500_000)
    for low, high, kept in (
        (0, 500_000, True),
        (500_000, 600_000, True),
        (0, 499_999, False),
        (500_001, 600_000, False),
    ):
        stages = StageSettings(adjustable=(("absorption_ms", low, high),))
        site = restarted(before, "oak", stages=stages)
        assert ("adjusted.absorption_ms" in site.bank.snapshot()) is kept


@pytest.mark.parametrize("state", [None, 7, "", [], [("version", 1)], {}, {"version": 2}])
def test_what_is_no_snapshot_is_refused(state: object) -> None:
    """Another type, another version, or nothing at all."""
    assert refused(state) in ("state", "version")


GOOD = in_float().bank.snapshot()


@pytest.mark.parametrize("key", [key for key in GOOD if not key.startswith("share.")])
@pytest.mark.parametrize("value", [None, "", "x", 1.5, True, [], {}, -2, 10**30])
def test_a_spoilt_state_is_refused_and_names_the_place(key: str, value: object) -> None:
    """Whatever stands in a field of a saved state, it is taken for what it is."""
    if key == "version" and value is True:
        return  # True equals 1
    assert refused({**GOOD, key: value}) == key


@pytest.mark.parametrize("timer", TIMERS)
def test_a_timer_may_be_full_and_not_fuller(timer: str) -> None:
    """The largest value that a timer counts to is taken back, one more is not."""
    full = FULL_MINUTES if timer == "since_full_minutes" else FULL_MS
    assert Site("oak", "fir").bank.restore({**GOOD, timer: full}, 0) is None
    assert refused({**GOOD, timer: full + 1}) == timer


@pytest.mark.parametrize("field", ["products", "squares", "connected"])
@pytest.mark.parametrize("value", ["", 1.5, True, [], {}, -(10**30), 10**30])
def test_spoilt_shares_are_refused(field: str, value: object) -> None:
    """A share's sums are integers of a possible size."""
    key = "share.oak." + field
    assert refused({**GOOD, key: value}) == key


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("kind", "start_bulk"),
        ("kind", "weather"),
        ("kind", 7),
        ("pack", "elm"),
        ("pack", 7),
        ("value", -1),
        ("value", None),
        ("value", "x"),
        ("left_ms", 0),
        ("left_ms", -2),
        ("left_ms", None),
        ("left_ms", 432_000_001),
        ("source", None),
        ("source", "s" * 33),
    ],
)
def test_a_spoilt_wish_is_refused_and_nothing_is_taken(key: str, value: object) -> None:
    """One bad wish and the whole state is refused: half a state is none."""
    wish = {"kind": "cap_charge_current", "pack": "", "value": 1, "left_ms": -1, "source": "x"}
    state = {**GOOD, **{"wish.0." + name: part for name, part in {**wish, key: value}.items()}}
    site = Site("oak", "fir")
    before = site.bank.snapshot()
    refusal = site.bank.restore(state, 0)  # type: ignore[arg-type]
    assert refusal is not None
    assert refusal.field == "wish.0." + key
    assert site.bank.snapshot() == before


def test_a_stop_outlives_a_pack_that_left_the_settings() -> None:
    """A wish about a pack that is gone is dropped; the others hold on."""
    state: dict[str, int | str] = dict(GOOD)
    wishes = (("withhold_pack", "elm"), ("stop_charge", ""))
    for number, (kind, pack) in enumerate(wishes):
        wish: dict[str, int | str] = {
            "kind": kind, "pack": pack, "value": 0, "left_ms": -1, "source": "phone",
        }  # fmt: skip
        state |= {f"wish.{number}." + name: part for name, part in wish.items()}
    site = Site("oak", "fir")
    assert site.bank.restore(state, 0) is None
    kept = site.bank.snapshot()
    assert [value for key, value in kept.items() if key.endswith(".kind")] == ["stop_charge"]


def test_a_wish_may_be_in_its_last_millisecond() -> None:
    """The shortest time that can be left is taken back."""
    wish = {"kind": "cap_charge_current", "pack": "", "value": 1, "left_ms": 1, "source": ""}
    state = {**GOOD, **{"wish.0." + name: part for name, part in wish.items()}}
    assert Site("oak", "fir").bank.restore(state, 0) is None


def test_a_latch_cannot_be_restored_with_an_end() -> None:
    """stop_charge has no time to run out, in a saved state either."""
    wish = {"kind": "stop_charge", "pack": "", "value": 0, "left_ms": 1_000, "source": ""}
    state = {**GOOD, **{"wish.0." + name: part for name, part in wish.items()}}
    assert refused(state) == "wish.0.lasts_ms"
