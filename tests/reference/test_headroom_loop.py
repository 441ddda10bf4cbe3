"""Headroom in a closed loop comes to the largest safe total of the network, never above it."""

import pytest

from tests.reference.loop import Loop

MILLIAMPERES = 0.003  # reports are whole milliamperes, each off by up to a half
EX1_OHM = [0.008, 0.010, 0.016]
EVEN_V = [52.8] * 3
EX2_V = [52.80, 52.80, 52.55]
HUNDRED = [100.0] * 3


def settles(loop: Loop, total_a: float) -> None:
    """Assert that the loop comes to this total, and never allowed more."""
    loop.runs(180)
    assert loop.limit == pytest.approx(total_a, abs=MILLIAMPERES)
    assert loop.most_a <= total_a + MILLIAMPERES
    assert max(loop.peak_a) <= max(loop.limit_a) + MILLIAMPERES


@pytest.mark.source("MILLMAN", "network of the worked example; 8 V without a total, -5, 4 and 1 A")
def test_the_textbook_network() -> None:
    """28 V, 0 V, 7 V behind 4, 2, 1 ohm with 10 A each: the third is full at a total of 15.75 A."""
    loop = Loop([4.0, 2.0, 1.0], [28.0, 0.0, 7.0], [10.0] * 3)
    loop.flows(0.0)
    assert loop.bus.volt == pytest.approx(8.0)
    loop.site.runs(5)
    assert loop.site.caps("charge_current")["headroom"].value == 6_000  # the second has 6 A left
    settles(loop, 15.75)
    assert loop.currents[2] == pytest.approx(10.0, abs=MILLIAMPERES)


@pytest.mark.source("NGSPICE", "sharing of EX1: 86.95652 / 69.56522 / 43.47826 A of 200 A")
@pytest.mark.source("DERIVED", "min L_i / s_i with those shares")
def test_unequal_resistances() -> None:
    """EX1: the sum of the limits is 300 A, the core settles at 230 A with the first at 100 A."""
    loop = Loop(EX1_OHM, EVEN_V, HUNDRED)
    settles(loop, 100.0 * 200.0 / 86.95652174)
    assert loop.limit == pytest.approx(230.0, abs=MILLIAMPERES)
    assert loop.currents[0] == pytest.approx(100.0, abs=MILLIAMPERES)


@pytest.mark.source("NGSPICE", "EX1")
@pytest.mark.source("PRACTICE", "margin of 3 %")
def test_the_margin_comes_off_every_limit() -> None:
    """EX1 with the default margin: 97 % of 230 A."""
    loop = Loop(EX1_OHM, EVEN_V, HUNDRED, settings={"margin_permille": 30})
    settles(loop, 230.0 * 0.97)


@pytest.mark.source("NGSPICE", "EX2: 11.6667 / 11.6667 / 36.6667 A of 60 A; idle 16.6667 A")
@pytest.mark.source("DERIVED", "min (L_i - c_i) / s_i, both ways")
@pytest.mark.parametrize(("sign", "total_a"), [(1, 250.0), (-1, 275.0)])
def test_unequal_charge(sign: int, total_a: float) -> None:
    """EX2: the low pack takes 16.7 A from the others at rest; 250 A of charge, 275 A of discharge."""
    settles(Loop([0.010] * 3, EX2_V, HUNDRED, sign=sign), total_a)


@pytest.mark.source("NGSPICE", "EX3: 75.57377 / 68.85246 / 65.57377 A of 210 A")
@pytest.mark.source("DERIVED", "at a fixed wiring the increments are in proportion, too")
def test_a_ladder() -> None:
    """EX3: along a bus fed from one end the near pack is full at 277.9 A."""
    loop = Loop([0.008] * 3, EVEN_V, HUNDRED, segment_ohm=0.0004)
    settles(loop, 100.0 * 210.0 / 75.57377049)


@pytest.mark.source("DERIVED", "a pack of 1 A with s = 0.4348 allows 2.3 A")
def test_a_small_limit_holds_the_bank_down_and_silence_does_not_free_it() -> None:
    """EX1 with 1 A for the first: 2.3 A in all; unheard 0 A; only removed, 162.5 A for the rest."""
    loop = Loop(EX1_OHM, EVEN_V, [1.0, 100.0, 100.0])
    settles(loop, 2.3)
    loop.site.falls_silent("p0")
    loop.runs(60)
    assert loop.limit == 0.0
    assert loop.site.binding("charge_current") == ("unheard", "p0")
    assert loop.site.asks("declare_removed", pack="p0") is None
    loop.lost[0] = True
    loop.runs(240)
    assert loop.limit == pytest.approx(162.5, abs=MILLIAMPERES)


@pytest.mark.source("DERIVED", "1 / s_max = 1 + (n - 1) / ratio")
@pytest.mark.parametrize(
    ("count", "ratio", "total_a"),
    [
        (2, 2, 150),
        (2, 3, 133),
        (3, 2, 200),
        (3, 3, 167),
        (4, 2, 250),
        (4, 3, 200),
        (6, 2, 350),
        (6, 3, 267),
    ],
)
def test_the_bound_where_only_a_ratio_is_known(count: int, ratio: int, total_a: int) -> None:
    """At rest discharge is open to L (1 + (n - 1) / ratio) for n packs of 100 A."""
    loop = Loop(
        [0.010] * count,
        [52.8] * count,
        [100.0] * count,
        sign=-1,
        supply_a=0.0,
        settings={"assumed_resistance_ratio": ratio},
    ).runs(80)
    assert loop.limit == pytest.approx(total_a, abs=0.5)


# The loss of a pack.


@pytest.mark.source("NGSPICE", "EX5: 93.33333 to 140.0 A when one of three packs at 280 A opens")
def test_a_drop_out_overloads_the_others() -> None:
    """Without survive_pack_loss 280 A flow, and a pack that opens leaves 140 A to each other one."""
    loop = Loop([0.010] * 3, EVEN_V, HUNDRED, supply_a=280.0).runs(180)
    assert loop.currents == pytest.approx([93.33333] * 3, abs=1e-4)
    assert ("pack_loss_overloads_rest", None) in loop.site.findings()
    before_v = loop.bus.volt
    loop.opens(2)
    loop.flows(280.0)
    assert loop.currents == pytest.approx([140.0, 140.0, 0.0], abs=1e-4)
    assert loop.bus.volt - before_v == pytest.approx(0.466667, abs=1e-4)


def strict(**settings: object) -> dict[str, object]:
    """Settings that keep room for the loss of any one pack."""
    return {"survive_pack_loss": "strict", **settings}


@pytest.mark.source("DERIVED", "the fixed point of (I - I_k) + min (L_i - I_i)")
def test_strict_prevents_it() -> None:
    """The same bank settles at 150 A; a pack that opens leaves 75 A to each other one."""
    loop = Loop([0.010] * 3, EVEN_V, HUNDRED, supply_a=280.0, settings=strict()).runs(180)
    assert loop.limit == pytest.approx(150.0, abs=MILLIAMPERES)
    loop.opens(2)
    loop.runs(60, latency_s=10)
    assert max(loop.peak_a) <= 100.0


@pytest.mark.source("DERIVED", "N-1 of EX1 is 150 A, when the 10 mohm pack is lost")
def test_n_minus_1_of_unequal_resistances() -> None:
    """EX1: 127.8 A with nothing learned; with learned shares up to 150 A, and never beyond."""
    worst = Loop(EX1_OHM, EVEN_V, HUNDRED, settings=strict()).runs(180)
    # Shares 1/2.3, 0.8/2.3, 0.5/2.3: the first two together fill up what one of them may carry.
    assert worst.limit == pytest.approx(100.0 * 2.3 / 1.8, abs=MILLIAMPERES)
    learned = Loop(EX1_OHM, EVEN_V, HUNDRED, settings=strict(charge_sharing="learned"))
    for minute in range(14):
        learned.supply_a = 100.0 if minute % 2 else 60.0
        learned.runs(60)
    learned.supply_a = 10_000.0
    learned.runs(1_200)
    assert 145.0 <= learned.limit <= 150.0
    assert learned.most_a <= 150.0


# Common practice.


@pytest.mark.source("PRACTICE", "equal packs that share evenly carry the sum of their limits")
def test_equal_packs_carry_the_sum_of_their_limits_less_the_margin() -> None:
    """Three packs of 100 A and a margin of 3 %: 291 A."""
    loop = Loop([0.010] * 3, EVEN_V, HUNDRED, settings={"margin_permille": 30})
    settles(loop, 291.0)


@pytest.mark.source("PRACTICE", "a pack that is left out takes its contribution away")
def test_leaving_one_out_takes_exactly_its_contribution_away_at_once() -> None:
    """From 291 A to 194 A in the next step."""
    loop = Loop([0.010] * 3, EVEN_V, HUNDRED, settings={"margin_permille": 30}).runs(180)
    loop.site.asks("withhold_pack", pack="p1")
    loop.runs(1)
    assert loop.limit == pytest.approx(194.0, abs=MILLIAMPERES)
    assert loop.site.binding("charge_current") == ("contributions", None)


@pytest.mark.source("PRACTICE", "limits fall at once and rise slowly, by 5 % a second")
def test_a_wish_binds_at_once_and_the_ramp_follows_it() -> None:
    """A wish of 75 A gives 75 A in the next step; cleared, 15 A more a second up to 291 A."""
    loop = Loop([0.010] * 3, EVEN_V, HUNDRED, settings={"margin_permille": 30}).runs(180)
    loop.site.asks("cap_charge_current", value=75_000, lasts_ms=7_200_000, source="phone")
    loop.runs(1)
    assert loop.limit == 75.0
    loop.runs(30)
    loop.site.asks("clear", field="cap_charge_current", source="phone")
    rises = []
    for _ in range(4):
        rises.append(loop.runs(1).limit)
    assert rises == [90.0, 105.0, 120.0, 135.0]
    loop.runs(60)
    assert loop.limit == pytest.approx(291.0, abs=MILLIAMPERES)
