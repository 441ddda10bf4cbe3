"""On site: a meter's judgement, whether a pack may join, pulling the plug, listening."""

import asyncio
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.counts import Counts
from adapters.gateway.connect import Side, may_connect
from adapters.gateway.journal import Journal
from adapters.gateway.listening import Muted, Watch
from adapters.gateway.meter import judge
from adapters.gateway.plug import CALLED_OFF, NO_CHARGE, SILENT, STOPPED, WAITING, WENT_ON, PlugTest
from adapters.gateway.service import listening, speaking
from adapters.gateway.site_file import load_site
from aggregator import Aggregator, BankSettings, Finding, PackSettings, SystemView
from tests.gateway import Clock, gateway, reading

SHED = """
[[packs]]
pack = "oak"

[[links]]
name = "shed"
kind = "tcp"
host = "127.0.0.1"
port = 9
  [[links.hears]]
  as = "json-lines"
  [[links.says]]
  as = "json-lines"
"""


@pytest.mark.parametrize(
    ("reported_ma", "measured_ma", "says", "remedy"),
    [
        (20_100, 20_000, "agrees within 0.5%", ""),
        (-20_100, 20_000, "the sign is flipped", 'positive = "discharge"'),
        (201_000, 20_000, "ten times too much", "divide its scale by 10"),
        (-2_010, 20_000, "ten times too little, and the sign is flipped", "turn the sign, too"),
        (20, 20_000, "a thousand times too little: A taken for mA", 'unit = "A"'),
        (40_500, 20_000, "twice too much", "two sensors"),
        (18_000, 20_000, "off by -10.0%", "sensor_tolerance_permille = 100"),
        (5_000, 20_000, "reported 5.0 A, measured 20.0 A: neither a sign nor", "another quantity"),
        (0, 20_000, "reported 0.0 A, measured 20.0 A: neither a sign nor", "another lead"),
        (3_000, 4_000, "less than 5 A flows", "switch on a charger"),
    ],
)
def test_a_meter_finds_the_usual_mistakes(
    reported_ma: int, measured_ma: int, says: str, remedy: str
) -> None:
    """Each with what to do about it; only what agrees is fine."""
    verdict = judge(reported_ma, measured_ma)
    assert verdict.says.startswith(says)
    assert remedy in verdict.remedy
    assert verdict.fine == (remedy == "")


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_a_meter_calls_nothing_fine_that_differs(reported_ma: float, measured_ma: float) -> None:
    """Fine means within three hundredths, and enough current to tell."""
    if judge(reported_ma, measured_ma).fine:
        assert abs(measured_ma) >= 5_000
        assert abs(reported_ma - measured_ma) <= 0.0301 * abs(measured_ma)


OAK = Side(53_000, 16, 50_000, 50_000, 0)


@pytest.mark.source("DERIVED", "rejoin inrush (V - E) / (R + R_others)")
def test_half_a_volt_between_packs_of_ten_milliohm() -> None:
    """One into two: 33.3 A."""
    answer = may_connect(Side(52_500, 16, 50_000, 50_000), [OAK, OAK], milliohm=10.0)
    assert answer.inrush_ma == 33_333
    assert answer.may
    assert (
        "+0.50 V between bank and pack over at least 15.0 mΩ: up to 33 A into the pack"
        in answer.reasons[0]
    )


@pytest.mark.parametrize(
    ("pack", "bank", "why"),
    [
        (Side(53_000, 15, 50_000, 50_000), [OAK], "packs of 15 and 16 cells must never be connected"),
        (Side(53_000, None, 50_000, 50_000), [OAK], "a number of cells is unknown"),
        (Side(None, 16, 50_000, 50_000), [OAK], "a voltage is unknown"),
        (Side(53_000, 16, 50_000, 50_000), [], "no pack of the bank is heard"),
        (Side(26_500, 16, 50_000, 50_000), [OAK], "no LiFePO4 pack in order"),
        (Side(51_000, 16, 50_000, 50_000), [OAK], "that is above 50 A, what the packs themselves allow"),
        (Side(53_000, 16, None, None), [OAK], "a pack does not say its own limit"),
        (Side(53_000, 16, 50_000, 50_000), [Side(53_000, 16, 50_000, 50_000, 30_000)], "current is flowing"),
        # The bank's pack that gives has a limit, too.
        (Side(52_800, 16, 50_000, 50_000), [Side(53_000, 16, 50_000, 10_000, 0)], "that is above 10 A"),
    ],
)  # fmt: skip
def test_a_pack_that_must_wait_is_told_why(pack: Side, bank: list[Side], why: str) -> None:
    """Whatever speaks against it."""
    answer = may_connect(pack, bank)
    assert not answer.may
    assert any(why in reason for reason in answer.reasons)


@given(st.integers(40_000, 58_000), st.lists(st.integers(40_000, 58_000), min_size=1, max_size=5),
       st.floats(0.5, 50))  # fmt: skip
def test_a_pack_may_only_join_where_the_rush_stays_within_limits(
    pack_mv: int, bank_mv: list[int], milliohm: float
) -> None:
    """By Ohm's law with the least resistances, for every pack of the bank's voltage."""
    bank = [Side(mv, 16, 40_000, 30_000, 0) for mv in bank_mv]
    answer = may_connect(Side(pack_mv, 16, 50_000, 50_000), bank, milliohm)
    if answer.may:
        for mv in bank_mv:
            rush_ma = 1_000 * abs(mv - pack_mv) / (milliohm + milliohm / len(bank))
            assert rush_ma <= 50_000 + 1


def charged(test: PlugTest, view: SystemView, start_s: int, stop_s: int, current_ma: int) -> None:
    """Let the bank be charged for a while, a step a second."""
    for second in range(start_s, stop_s):
        view.current_ma = current_ma
        test.stepped(second * 1_000, view)


@pytest.fixture
def view() -> SystemView:
    """A bank that may speak."""
    made = SystemView(["oak"])
    made.may_speak = made.charge_allowed = True
    return made


def test_the_plug_is_pulled_while_charging_and_timed(view: SystemView) -> None:
    """Silence begins after a steady charge; the time runs until the current has ended."""
    test = PlugTest()
    charged(test, view, 0, 10, 0)
    assert not test.quiet
    charged(test, view, 10, 31, 40_000)
    assert test.quiet
    assert test.state == SILENT
    charged(test, view, 31, 43, 40_000)
    charged(test, view, 43, 50, 500)
    assert (test.state, test.took_ms, test.quiet) == (STOPPED, 13_000, False)


def test_the_plug_waits_until_charging_is_allowed(view: SystemView) -> None:
    """A charger that obeys the 0 which every start begins with has not been stopped by silence."""
    test = PlugTest()
    view.charge_allowed = False
    charged(test, view, 0, 40, 40_000)
    assert test.state == WAITING
    view.charge_allowed = True
    charged(test, view, 40, 61, 40_000)
    assert test.state == SILENT


def test_chargers_that_go_on_are_told(view: SystemView) -> None:
    """The silence ends all the same."""
    test = PlugTest(most_silent_ms=60_000)
    charged(test, view, 0, 100, 40_000)
    assert (test.state, test.quiet) == (WENT_ON, False)


def test_without_charge_there_is_no_test(view: SystemView) -> None:
    """It waits, and then gives up without having been silent."""
    test = PlugTest(most_waiting_ms=60_000)
    charged(test, view, 0, 100, 100)
    assert (test.state, test.quiet) == (NO_CHARGE, False)


@pytest.mark.parametrize(
    "fields",
    [{"current_ma": 50_001}, {"cell_max_mv": 3_551}, {"protections": ["cell_over_voltage"]}],
)
def test_trouble_calls_the_test_off_at_once(view: SystemView, fields: dict[str, object]) -> None:
    """We speak again before anything else."""
    test = PlugTest()
    charged(test, view, 0, 21, 40_000)
    assert test.quiet
    test.heard(21_000, reading("oak", 1), None)
    assert test.quiet
    test.heard(21_000, reading("oak", 2, **fields), None)
    assert (test.state, test.quiet) == (CALLED_OFF, False)
    assert "oak" in test.why


def test_listening_finds_packs_above_their_own_limits() -> None:
    """How long, how much at worst, and when; a refusing pack's limit is nothing."""
    watch = Watch()
    for second in range(10):
        current_ma = 60_000 if 3 <= second < 6 else 20_000
        watch.heard(second * 1_000, reading("oak", second, current_ma=current_ma), None)
        watch.heard(
            second * 1_000, reading("fir", second, current_ma=-3_000, discharge_allowed=False), None
        )
    charge = watch.packs["oak"].charge
    assert (charge.over_s, charge.heard_s, charge.worst_ma, charge.at_ms) == (
        3.0,
        9.0,
        10_000,
        3_000,
    )
    assert watch.packs["oak"].discharge.over_s == 0.0
    assert watch.packs["fir"].discharge.worst_ma == 3_000


def test_listening_does_not_count_the_beginning(view: SystemView) -> None:
    """Every start begins with limits of 0: that is no overload of the present set-up."""
    watch = Watch()
    view.current_ma, view.charge_current_limit_ma = 90_000, 0
    view.charge_current_rule, view.discharge_current_rule = "reenable_dwell", "unheard"
    for second in range(30):
        watch.stepped(second * 1_000, view)
    assert watch.bank.charge.heard_s == 0.0
    view.charge_current_limit_ma, view.charge_current_rule = 100_000, "headroom"
    watch.stepped(30_000, view)
    view.charge_current_limit_ma, view.charge_current_rule = 0, "reenable_dwell"
    watch.stepped(31_000, view)  # a stop later on counts
    assert (watch.bank.charge.heard_s, watch.bank.charge.over_s) == (2.0, 1.0)
    for second in range(32, 130):
        watch.stepped(second * 1_000, view)
    assert watch.bank.discharge.heard_s == 10.0  # silent for too long to be a beginning


def test_a_bank_that_is_charged_while_we_begin_is_not_found_above_our_limits() -> None:
    """The core's own start, step by step: every rule that holds it back on its way up from 0."""
    watch = Watch()
    bank = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)]))
    for now_ms in range(0, 90_000, 250):
        if now_ms % 1_000 == 0:
            bank.accept(reading("oak", now_ms // 1_000, current_ma=40_000), now_ms)
        watch.stepped(now_ms, bank.step(now_ms))
    assert watch.bank.charge.heard_s > 30.0
    assert (watch.bank.charge.over_s, watch.bank.charge.worst_ma) == (0.0, 0)


def test_who_only_listens_accuses_no_charger(tmp_path: Path) -> None:
    """It cannot follow what it does not hear; a gateway that speaks tells it."""
    site = tmp_path / "SITE.toml"
    site.write_text(SHED, encoding="utf-8")
    for listens in (True, False):
        out = io.StringIO()
        plan, journal = load_site(site), Journal(out)
        gateway = listening(plan, journal)[0] if listens else speaking(plan, journal)
        gateway.view.findings = [
            Finding("charger_ignores_limit", None),
            Finding("load_above_limit", None),
        ]
        journal.stepped(gateway.view)
        assert ("a charger does not follow" in out.getvalue()) is not listens
        assert "loads draw more" in out.getvalue()


def test_what_would_have_been_said_is_kept_and_not_sent() -> None:
    """With the first few examples; the same thing again is only counted."""

    class Talker:
        def __init__(self) -> None:
            self.counts = Counts()

        def opened(self, now_ms: int) -> None:
            pass

        def received(self, item: object, now_ms: int) -> tuple[()]:
            return ()

        def due(self, now_ms: int, view: SystemView, may_speak: bool) -> list[tuple[int, bytes]]:
            return [(0x99FEC946, bytes(2)), (0x99FEC846, bytes([1]))]

    async def listened() -> None:
        bank, _ = gateway(Clock())
        running = asyncio.create_task(muted.run(bank))
        await asyncio.sleep(0.35)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    muted = Muted("van", [Talker()])
    asyncio.run(listened())
    assert muted.counts.dropped >= 4
    assert [text for _, text in muted.examples] == ["19FEC946 00 00", "19FEC846 01"]


def test_a_link_whose_mouth_is_muted_is_told_once(tmp_path: Path) -> None:
    """While listening, a link that would also speak stands there twice under one name."""
    site = tmp_path / "SITE.toml"
    site.write_text(SHED, encoding="utf-8")
    out = io.StringIO()
    journal = Journal(out)
    gateway, _, _ = listening(load_site(site), journal)
    ear, muted = gateway.links
    assert ear.name == muted.name
    ear.counts.opened = 1
    for _ in range(3):
        journal.looked_at(gateway.links)
    assert [line.split("  ")[1] for line in out.getvalue().splitlines()] == ["shed: open"]
