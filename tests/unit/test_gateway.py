"""The gateway: records are followed by a step, links run beside it, silence is handled."""

import asyncio
import io
import json
import logging
import time

from adapters.gateway.journal import REPEAT_S, Journal
from adapters.gateway.runtime import Gateway, monotonic_ms
from adapters.gateway.service import LibraryLog, tell_of_libraries
from adapters.links import Site
from aggregator import BusReport, Request
from aggregator.ticks import TICK_MASK, since
from tests.gateway import SETTINGS, Clock, HandLink, gateway, reading


def test_records_are_followed_by_a_step_at_once() -> None:
    """A denial is in the next view that anybody sees, long before the next regular step."""

    async def denied() -> tuple[bool, bool]:
        bank, _ = gateway(clock, hand)
        bank._step_s = 3_600.0
        running = asyncio.create_task(bank.run())
        await asyncio.sleep(0.01)
        for sample in range(1, 80):
            clock.ms += 1_000
            bank.take([reading("oak", sample), reading("fir", sample)], "hand")
            await asyncio.sleep(0)
            await bank.turn(0.1)
        before = bank.view.charge_allowed
        bank.take([reading("oak", 80, charge_allowed=False)], "hand")
        await bank.turn(0.1)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        return before, bank.view.charge_allowed

    clock, hand = Clock(), HandLink()
    assert asyncio.run(denied()) == (True, False)


def test_a_link_that_fails_takes_nothing_with_it() -> None:
    """It is told, and the bank steps on."""

    class Broken(HandLink):
        async def run(self, site: Site) -> None:
            raise RuntimeError("a mistake of ours")

    async def ran() -> int:
        steps = 0

        def count(now_ms: int, view: object) -> None:
            nonlocal steps
            steps += 1

        bank.watchers.append(count)
        bank._step_s = 0.001
        running = asyncio.create_task(bank.run())
        await asyncio.sleep(0.1)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        return steps

    bank, out = gateway(Clock(), Broken("hall"))
    assert asyncio.run(ran()) > 10
    assert "hall: failed: RuntimeError: a mistake of ours; it is tried again" in out.getvalue()


def heard(bank: Gateway, clock: Clock) -> None:
    """Let both packs be heard often enough to count."""
    for sample in range(1, 5):
        clock.ms += 1_000
        bank.take([reading("oak", sample), reading("fir", sample)], "hand")
        bank.step()


def test_nobody_speaks_while_it_is_quiet_on_purpose() -> None:
    """Quiet means: no frame to a charger, whatever the bank would allow."""
    clock = Clock()
    bank, _ = gateway(clock)
    heard(bank, clock)
    assert bank.may_speak()
    bank.quiet = True
    assert not bank.may_speak()


def test_a_gateway_that_hangs_may_not_speak() -> None:
    """Without steps, permission runs out."""
    clock = Clock()
    bank, _ = gateway(clock)
    heard(bank, clock)
    assert bank.may_speak()
    clock.ms += SETTINGS.fresh_ms + 1
    assert not bank.may_speak()


def test_the_last_silence_is_said_before_it_is_kept() -> None:
    """When the last pack falls silent all limits are 0, and chargers are told so for `fresh_ms`:
    one that keeps to what it heard last must have heard the 0."""
    clock = Clock()
    bank, _ = gateway(clock)
    heard(bank, clock)
    said: list[tuple[int, bool]] = []
    for _ in range(60):
        clock.ms += 1_000
        view = bank.step()
        if bank.may_speak() and not view.may_speak:
            said.append((view.charge_current_limit_ma, view.charge_allowed))
    assert said == [(0, False)] * (SETTINGS.fresh_ms // 1_000 + 1)
    assert not bank.may_speak()


def test_no_goes_on_being_said_where_silence_stops_nobody() -> None:
    """On RV-C chargers that hear nothing follow their own settings: until a pack is heard again they
    hear "do not charge", but never before one was heard, nor from a gateway that is quiet or hangs."""
    clock = Clock()
    bank, _ = gateway(clock)
    assert not bank.may_say_no()
    heard(bank, clock)
    for _ in range(300):
        clock.ms += 1_000
        bank.step()
        assert bank.may_say_no()
    assert not bank.may_speak()
    assert not bank.view.charge_allowed
    bank.quiet = True
    assert not bank.may_say_no()
    bank.quiet = False
    clock.ms += SETTINGS.fresh_ms + 1
    assert not bank.may_say_no()


def test_the_last_no_is_not_said_on_purpose_nor_by_a_gateway_that_hangs() -> None:
    """Quiet is quiet, and without steps nobody knows whether it is still no."""
    clock = Clock()
    bank, _ = gateway(clock)
    heard(bank, clock)
    while bank.view.may_speak:
        clock.ms += 1_000
        bank.step()
    assert bank.may_speak()
    bank.quiet = True
    assert not bank.may_speak()
    bank.quiet = False
    clock.ms += SETTINGS.fresh_ms + 1
    assert not bank.may_speak()


def test_what_piled_up_while_the_loop_was_away_is_not_new() -> None:
    """A burst of old lines out of some buffer makes no pack look alive; what comes later does."""
    clock = Clock()
    bank, _ = gateway(clock)
    heard(bank, clock)
    assert {row.presence for row in bank.view.packs} == {"live"}
    clock.ms += 60_000
    for sample in range(5, 65):
        clock.ms += 1
        bank.take([reading("oak", sample), reading("fir", sample)], "hand")
        bank.step()
    assert {row.presence for row in bank.view.packs} == {"unheard"}
    for sample in range(65, 75):
        clock.ms += 1_000
        bank.take([reading("oak", sample), reading("fir", sample)], "hand")
        bank.step()
    assert {row.presence for row in bank.view.packs} == {"live"}


def test_a_meter_reading_that_piled_up_is_not_new_either() -> None:
    """Nor does a short pause make anything old."""
    clock = Clock()
    bank, _ = gateway(clock)
    clock.ms += 60_000
    old, new = BusReport(1, current_ma=5_000), BusReport(2, age_ms=100, current_ma=5_000)
    bank.take([old], "hand")
    bank.step()
    for _ in range(2):
        clock.ms += 2_000
        bank.step()
    bank.take([new], "hand")
    assert (old.age_ms, new.age_ms) == (60_000, 100)


def test_the_clock_goes_on_while_the_host_sleeps() -> None:
    """Where the system has such a clock, it is the bank's: after a night's sleep readings are old.
    (Linux, clock_gettime(2): CLOCK_BOOTTIME "also includes any time that the system is suspended".)"""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    if boot is not None:
        before_ms = time.clock_gettime_ns(boot) // 1_000_000
        assert 0 <= since(monotonic_ms(), before_ms & TICK_MASK) < 1_000


def test_nobody_vouches_for_another_link_s_pack() -> None:
    """A pack that a map brings is not made fresh, nor given other limits, by lines from elsewhere."""
    clock = Clock()
    bank, out = gateway(clock)
    bank.bringers = {"oak": "van"}
    for sample in range(1, 5):
        clock.ms += 1_000
        bank.take([reading("oak", sample), reading("fir", sample)], "shed")
        bank.step()
    assert {row.pack: row.presence for row in bank.view.packs} == {"fir": "live", "oak": "unheard"}
    assert "shed: refused: reports of oak come from van alone" in out.getvalue()
    for sample in range(1, 5):
        clock.ms += 1_000
        bank.take([reading("oak", sample)], "van")
        bank.step()
    assert {row.pack: row.presence for row in bank.view.packs} == {"fir": "live", "oak": "live"}


def test_refusals_and_requests_are_told() -> None:
    """The first refusal at once, the same again not; a request with what became of it."""
    bank, out = gateway(Clock())
    for sample in (1, 2, 3):
        bank.take([reading("oak", sample, soc_permille=1_200)], "hall")
    bank.take([Request("cap_charge_current", value=10_000, source="phone")], "hall")
    bank.take([BusReport(1, current_ma=99_000_000)], "hall")
    told = out.getvalue()
    assert told.count("hall: refused: soc_permille: expected 0..1000 or null, got 1200") == 1
    assert "hall: asked: kind cap_charge_current, value 10000, source phone" in told
    assert "hall: refused: current_ma: expected" in told


def test_a_link_lost_for_the_same_reason_is_told_each_time() -> None:
    """Once for each loss, and not again for every attempt to open it."""
    out, link = io.StringIO(), HandLink()
    journal = Journal(out)

    def look(opened: int = 0, failed: int = 0) -> None:
        link.counts.opened += opened
        link.counts.failed += failed
        link.counts.trouble = "refused" if link.counts.failed else None
        journal.looked_at([link])

    for change in ({"failed": 1}, {"failed": 1}, {"opened": 1}, {}, {"failed": 1}, {"failed": 1},
                   {"opened": 1}):  # fmt: skip
        look(**change)
    assert [line.split("  ", 1)[1] for line in out.getvalue().splitlines()] == [
        "hand: refused", "hand: open", "hand: refused", "hand: open again",
    ]  # fmt: skip


def test_repeated_refusals_are_counted() -> None:
    """After a minute the same refusal is told again, with how often it came."""
    now_s, out = [0.0], io.StringIO()
    journal = Journal(out, wall=lambda: now_s[0])
    for _ in range(5):
        journal.refused("hall", "garbage")
    now_s[0] = REPEAT_S
    journal.refused("hall", "garbage")
    lines = out.getvalue().splitlines()
    assert [line.split("  ", 1)[1] for line in lines] == [
        "hall: refused: garbage",
        "hall: refused: garbage (and 4 times before)",
    ]


def test_a_journal_that_cannot_be_written_stops_nothing() -> None:
    """A full disk or a closed pipe costs the log, not the bank."""

    class Full(io.StringIO):
        def write(self, text: str) -> int:
            raise OSError("no space left on device")

    clock = Clock()
    bank = Gateway(SETTINGS, [], Journal(Full()), clock_ms=clock)
    heard(bank, clock)
    bank.take([Request("stop_charge", source="phone")], "hand")
    bank.step()
    assert bank.may_speak()


def test_the_journal_speaks_json() -> None:
    """One object a line, with the core's own names."""
    bank, out = gateway(Clock(), as_json=True)
    bank.step()
    events = [json.loads(line) for line in out.getvalue().splitlines()]
    assert {"stage", "charge"} <= {event["event"] for event in events}
    charge = next(event for event in events if event["event"] == "charge")
    assert (charge["allowed"], charge["rule"]) == (False, "unheard")


def test_what_libraries_log_is_told_in_the_journal_s_form() -> None:
    """One line each, also a warning of Python's; and only by the journal that came last."""
    first, second = io.StringIO(), io.StringIO()
    tell_of_libraries(Journal(first, wall=lambda: 0.0))
    tell_of_libraries(Journal(second, as_json=True, wall=lambda: 0.0))
    logging.getLogger("some.library").error("lost\n%s", "it")
    logging.getLogger("some.library").info("chatter")
    logging.getLogger().handlers[:] = [
        one for one in logging.getLogger().handlers if not isinstance(one, LibraryLog)
    ]
    assert first.getvalue() == ""
    (told,) = second.getvalue().splitlines()
    assert json.loads(told)["what"] == "some.library: lost it"
