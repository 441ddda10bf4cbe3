"""Saved states that somebody edited, piece by piece."""

import pytest

from aggregator.requests import MOST_REQUESTS
from tests.bank import Site

State = dict[str, int | str]


def good() -> State:
    """The state of two packs of which nothing was asked."""
    return Site("fir", "oak").bank.snapshot()


def wish(number: int, **parts: int | str) -> State:
    """One wish in a saved state, a cap of 7 mA unless told otherwise."""
    made: State = {
        "kind": "cap_charge_current",
        "pack": "",
        "value": 7,
        "left_ms": -1,
        "source": "",
    }
    return {f"wish.{number}.{name}": part for name, part in {**made, **parts}.items()}


@pytest.mark.parametrize("number", range(MOST_REQUESTS + 1))
def test_a_wish_is_found_under_any_number(number: int) -> None:
    """A gap before it loses nothing; there are sixteen places."""
    site = Site("fir", "oak")
    assert site.bank.restore({**good(), **wish(number)}, 0) is None
    assert site.bank.snapshot().get("wish.0.value") == (7 if number < MOST_REQUESTS else None)


def test_every_wish_is_taken_back_as_it_was() -> None:
    """Two of them, with all their parts."""
    two = wish(0, source="a", left_ms=432_000_000) | wish(
        1, kind="withhold_pack", pack="oak", value=0, source="b", left_ms=1
    )
    site = Site("fir", "oak")
    assert site.bank.restore({**good(), **two}, 0) is None
    kept = {key: part for key, part in site.bank.snapshot().items() if key.startswith("wish.")}
    assert kept == two


def test_spoilt_shares_of_any_pack_are_named() -> None:
    """Even where those of another pack are missing, and none would be taken up."""
    state = good()
    for field in ("products", "squares", "connected"):
        del state["share.fir." + field]
    assert Site("fir", "oak").bank.restore(state, 0) is None
    state["share.oak.squares"] = "x"
    refusal = Site("fir", "oak").bank.restore(state, 0)
    assert refusal is not None
    assert refusal.field == "share.oak.squares"


@pytest.mark.parametrize(
    ("key", "low", "high"),
    [
        ("share_blocks", 0, 1 << 40),
        ("share_squares", 0, 1 << 40),
        ("share.oak.products", -(1 << 40), 1 << 40),
        ("share.oak.squares", 0, 1 << 40),
        ("share.oak.connected", 0, 1),
    ],
)
def test_sums_of_shares_have_a_range(key: str, low: int, high: int) -> None:
    """Both ends are good, one beyond is not."""
    for value in (low, high):
        assert Site("fir", "oak").bank.restore({**good(), key: value}, 0) is None
    for value in (low - 1, high + 1):
        refusal = Site("fir", "oak").bank.restore({**good(), key: value}, 0)
        assert refusal is not None
        assert (refusal.field, refusal.expected) == (key, f"{low}..{high}")


def test_shares_are_taken_up_as_they_were_saved() -> None:
    """Each pack's own sums, and the set of packs for which they hold."""
    state: State = {**good(), "share_blocks": 12, "share_squares": 1_000}
    for pack, products, squares, connected in (("fir", 600, 360, 1), ("oak", 400, 160, 0)):
        state |= {
            f"share.{pack}.products": products,
            f"share.{pack}.squares": squares,
            f"share.{pack}.connected": connected,
        }
    site = Site("fir", "oak")
    assert site.bank.restore(state, 0) is None
    assert site.bank._bank.shares.kept == (12, 1_000, [600, 400], [360, 160], bytearray([1, 0]))
    assert site.bank.snapshot() == state


@pytest.mark.parametrize("stage", ["bulk", "absorption", "float"])
def test_a_stage_is_taken_up_through_a_pause(stage: str) -> None:
    """It says so, and it is the core's own word that goes on, whoever's the text was."""
    site = Site("fir", "oak")
    assert site.bank.restore({**good(), "stage": "".join(list(stage))}, 0) is None
    stages = site.bank._bank.stages
    assert (stages.stage, stages.resume, stages.why) == ("paused", stage, "restored")
    assert site.bank.snapshot()["stage"] == stage


@pytest.mark.parametrize(("mark", "presence"), [(1, "removed"), (0, "unheard"), ("1", "unheard")])
def test_only_a_plain_mark_removes_a_pack(mark: int | str, presence: str) -> None:
    """A 1 and nothing else, and only the pack that it names."""
    site = Site("fir", "oak")
    assert site.bank.restore({**good(), "removed.oak": mark}, 0) is None
    assert (site.row("fir").presence, site.row("oak").presence) == ("unheard", presence)
    assert site.bank.snapshot().get("removed.oak") == (1 if presence == "removed" else None)
    assert "removed.fir" not in site.bank.snapshot()
    site.falls_silent("oak")
    site.runs(60)
    assert site.view.charge_allowed is (presence == "removed")
