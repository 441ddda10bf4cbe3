"""What wishes come to, and for how long, by the number and the millisecond."""

import pytest

from aggregator import Aggregator, BankSettings, PackSettings, Request
from aggregator.reference import NO_CAP
from aggregator.report import LONGEST_MS
from aggregator.requests import FOREVER, KINDS, MOST_REQUESTS, WISH, Wish, Wishes, check_request
from tests.bank import Site

NOTHING = {
    "charge_ma": NO_CAP,
    "discharge_ma": NO_CAP,
    "charge_mv": None,
    "stop_charge": False,
    "stop_discharge": False,
    "top_permille": None,
    "reserve_permille": 0,
    "full_every_days": None,
}
# kind, a strict and a lax value, and where the strict one is found
BINDS: dict[str, tuple[int, int, dict[str, object]]] = {
    "withhold_pack": (0, 0, {}),
    "cap_charge_current": (0, 1, {"charge_ma": 0}),
    "cap_discharge_current": (0, 1, {"discharge_ma": 0}),
    "cap_charge_voltage": (50_000, 50_001, {"charge_mv": 50_000}),
    "stop_charge": (0, 0, {"stop_charge": True}),
    "stop_discharge": (0, 0, {"stop_discharge": True}),
    "top_soc_permille": (0, 1, {"top_permille": 0}),
    "reserve_soc_permille": (1, 0, {"reserve_permille": 1}),
    "full_charge_every_days": (1, 2, {"full_every_days": 1}),
}


def come_to(wishes: Wishes) -> dict[str, object]:
    """What the wishes come to, each with its type."""
    return {name: getattr(wishes, name) for name in NOTHING}


def wish(
    kind: str, value: int = 0, left_ms: int = FOREVER, source: str = "", pack: str = ""
) -> Wish:
    return Wish(kind, pack, value, left_ms, source)


def test_every_wish_of_the_table_is_here() -> None:
    """In the order of the table."""
    assert list(BINDS) == [row[0] for row in KINDS if row[1] == WISH]


@pytest.mark.parametrize("kind", BINDS)
@pytest.mark.parametrize("strict_first", [True, False])
def test_every_wish_binds_in_its_own_place(kind: str, strict_first: bool) -> None:
    """The stricter of two, whichever came first, and nothing else with it; then nothing again."""
    strict, lax, found = BINDS[kind]
    values = [strict, lax] if strict_first else [lax, strict]
    wishes = Wishes()
    assert come_to(wishes) == NOTHING
    for value in values:
        assert wishes.keep(wish(kind, value, source=str(value), pack="oak")) is None
    assert come_to(wishes) == {**NOTHING, **found}
    assert wishes.withheld("oak") is (kind == "withhold_pack")
    assert wishes.withheld("fir") is False
    assert wishes.drop(kind, "oak", None) == len({strict, lax})
    assert come_to(wishes) == NOTHING
    assert wishes.withheld("oak") is False


def test_a_wish_is_dropped_by_kind_and_pack_and_source() -> None:
    """One that differs in any of them stays; how many went is told."""
    wishes = Wishes()
    for kind, pack, source in (
        ("withhold_pack", "oak", "a"),
        ("withhold_pack", "oak", "b"),
        ("withhold_pack", "fir", "a"),
        ("stop_charge", "", "a"),
    ):
        wishes.keep(wish(kind, source=source, pack=pack))
    assert wishes.drop("withhold_pack", "oak", "c") == 0
    assert wishes.drop("withhold_pack", "oak", "a") == 1
    assert wishes.drop("withhold_pack", "oak", "a") == 0
    assert [(one.kind, one.pack, one.source) for one in wishes.kept] == [
        ("withhold_pack", "oak", "b"),
        ("withhold_pack", "fir", "a"),
        ("stop_charge", "", "a"),
    ]


def test_wishes_run_down_to_nothing() -> None:
    """Not a millisecond early; a step may be longer than what is left; a latch does not run."""
    wishes = Wishes()
    assert wishes.run_down(1_000) is False
    wishes.keep(wish("cap_charge_current", 5, left_ms=3))
    wishes.keep(wish("cap_discharge_current", 6, left_ms=9))
    wishes.keep(wish("stop_charge"))
    assert wishes.run_down(2) is False
    assert [one.left_ms for one in wishes.kept] == [1, 7, FOREVER]
    assert wishes.run_down(1) is True
    assert come_to(wishes) == {**NOTHING, "discharge_ma": 6, "stop_charge": True}
    assert wishes.run_down(0) is False
    assert wishes.run_down(100) is True
    assert come_to(wishes) == {**NOTHING, "stop_charge": True}
    assert wishes.run_down(100) is False


def test_one_wish_that_lasts_does_not_hide_another_that_ran_out() -> None:
    """Whichever of them was asked first."""
    for lasts in ((1, 9), (9, 1)):
        wishes = Wishes()
        for left_ms in lasts:
            wishes.keep(wish("cap_charge_current", left_ms, left_ms=left_ms, source=str(left_ms)))
        assert wishes.run_down(1) is True
        assert [one.left_ms for one in wishes.kept] == [8]


def test_the_sixteenth_wish_is_kept_and_the_next_refused() -> None:
    """A refused wish changes nothing of what binds."""
    wishes = Wishes()
    for number in range(MOST_REQUESTS):
        assert wishes.keep(wish("cap_charge_current", 9, source=str(number))) is None
    refusal = wishes.keep(wish("stop_charge"))
    assert refusal is not None
    assert (refusal.field, refusal.got) == ("kind", '"stop_charge"')
    assert len(wishes.kept) == 16
    assert come_to(wishes) == {**NOTHING, "charge_ma": 9}


def test_a_request_leaves_open_what_is_not_said() -> None:
    """The whole bank, no value, until cleared, from nobody in particular."""
    request = Request("stop_charge")
    assert (request.pack, request.value, request.lasts_ms) == (None, None, None)
    assert (request.source, request.field) == ("", None)


@pytest.mark.parametrize(
    ("source", "good"),
    [
        (" ", True),
        ("~", True),
        ("\x1f", False),
        ("\x7f", False),
        ("a\x7f", False),
        ("\x7fa", False),
    ],
)
def test_a_source_is_of_plain_characters(source: str, good: bool) -> None:
    """From the blank to the tilde, each of them."""
    refusal = check_request(Request("stop_charge", source=source), ["oak"])
    assert (refusal is None) is good


@pytest.mark.parametrize(
    ("asked_ms", "lasts_ms", "left_ms"),
    [
        (60_000, 5_000, 5_000),
        (62_000, 5_000, 7_000),  # until the next step 2 s will be taken off
        (59_000, 5_000, 5_000),  # stamped before the last step: not a moment less
        (62_000, LONGEST_MS - 2_000, LONGEST_MS),
        (62_000, LONGEST_MS - 1_999, LONGEST_MS),
        (62_000, None, FOREVER),
    ],
)
def test_a_wish_lasts_from_when_it_was_asked(
    asked_ms: int, lasts_ms: int | None, left_ms: int
) -> None:
    """And never longer than the longest time there is."""
    site = Site("oak").is_ready()
    site.now_ms = asked_ms
    assert site.asks("cap_charge_current", value=7, lasts_ms=lasts_ms, source="x") is None
    state = site.bank.snapshot()
    kept = {key[7:]: value for key, value in state.items() if key.startswith("wish.0.")}
    assert kept == {
        "kind": "cap_charge_current", "pack": "", "value": 7, "left_ms": left_ms, "source": "x",
    }  # fmt: skip


def test_a_wish_may_be_asked_before_the_first_step() -> None:
    """Then no time has passed, and none will be taken off."""
    bank = Aggregator(BankSettings([PackSettings("oak")]))
    assert bank.request(Request("cap_charge_current", value=7, lasts_ms=900), 5_000) is None
    assert bank.snapshot()["wish.0.left_ms"] == 900
