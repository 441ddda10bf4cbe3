"""RV-C: requests, commands, and a charger that obeys."""

import pytest

from adapters.rvc.charger import RvcCharger
from adapters.rvc.frames import SOURCE_COMMAND, STATUS_4, STATUS_13
from adapters.rvc.source import RvcSource
from aggregator import Aggregator, BankSettings, PackSettings, Request
from aggregator.report import alarm_bits
from aggregator.view import SystemView
from tests.rvc_bus import OWN, from_other, last, rival, run, source, times, view


# ---- Requests and commands.
def test_what_is_asked_is_answered_by_everyone_who_can() -> None:
    """A request is answered even while another source goes before us; 13 only then."""
    talker = source()
    run(talker, 0, 3_000, view())
    talker.received(rival(200), 3_000)
    for dgn in (STATUS_13, STATUS_4):
        talker.received(from_other(0xEAFF, dgn.to_bytes(3, "little") + b"\xff"), 3_500)
    said = run(talker, 3_500, 4_000, view())
    assert last(said, STATUS_13) == "0178" + "2604" + "2704" + "FFFF"
    assert len(times(said, STATUS_4)) == 1


def test_what_cannot_be_answered_is_refused_to_who_asked_us() -> None:
    """An unknown DGN: NAK if we were asked, silence if everybody was."""
    talker = source()
    run(talker, 0, 3_000, view())
    for destination in (0xEA00 | OWN, 0xEAFF, 0xEA00 | 12):
        talker.received(from_other(destination, bytes.fromhex("ACFE01FF")), 3_000)
    said = run(talker, 3_000, 3_020, view())
    naks = [data.hex().upper() for _, dgn, data in said if dgn >> 8 == 0xE8]
    assert naks == ["01FFFFFF46ACFE01"]


COMMANDS = [
    (0b1111_0011, [("stop_charge", None)], 0),
    (0b1111_0111, [("clear", "stop_charge")], 0),
    (0b1111_1100, [("stop_discharge", None)], 0),
    (0b1111_1101, [("clear", "stop_discharge")], 0),
    (0b1111_0000, [("stop_charge", None), ("stop_discharge", None)], 0),
    (0b1111_1111, [], 0),
    (0b1111_1000, [], 1),
]


@pytest.mark.source("RV-C-2023", "DC_SOURCE_COMMAND: acknowledged always")
@pytest.mark.parametrize(("switches", "wishes", "code"), COMMANDS)
def test_a_command_becomes_a_wish(
    switches: int, wishes: list[tuple[str, str | None]], code: int
) -> None:
    """Disconnect: a stop; connect: the stop is cleared; leave: nothing. All are acknowledged."""
    talker = source()
    run(talker, 0, 3_000, view())
    asked = talker.received(from_other(SOURCE_COMMAND, bytes([1, switches])), 3_000)
    assert [(one.kind, one.field) for one in asked] == wishes
    assert {one.source for one in asked} <= {"rv-c"}
    bank = Aggregator(BankSettings(packs=[PackSettings("oak")]))
    bank.request(Request("stop_charge", source="rv-c"), 0)
    bank.request(Request("stop_discharge", source="rv-c"), 0)
    assert [bank.request(one, 0) for one in asked] == [None] * len(asked)
    said = run(talker, 3_000, 3_020, view())
    replies = [(dgn, data.hex().upper()) for _, dgn, data in said if dgn >> 8 == 0xE8]
    assert replies == [(0xE846, f"0{code}01FFFF46A4FE01")]


def test_commands_may_be_refused_or_meant_for_others() -> None:
    """`obey_commands = false`: NAK; another instance: nothing."""
    talker = source(obey_commands=False)
    run(talker, 0, 3_000, view())
    assert talker.received(from_other(SOURCE_COMMAND, bytes([1, 0])), 3_000) == []
    assert talker.received(from_other(SOURCE_COMMAND, bytes([2, 0])), 3_000) == []
    replies = [data[0] for _, dgn, data in run(talker, 3_000, 3_020, view()) if dgn >> 8 == 0xE8]
    assert replies == [1]


# ---- A charger that obeys.
def told(charger: RvcCharger, talker: RvcSource, start_ms: int, end_ms: int, shown: SystemView):  # type: ignore[no-untyped-def]
    """Let a charger hear a source; return what it does then."""
    for now_ms in range(start_ms, end_ms, 20):
        for item in talker.due(now_ms, shown, True):
            charger.received(item, now_ms)
    charger.decide(end_ms)
    return charger.voltage_mv, charger.current_ma


@pytest.mark.source("RV-C-2023", "6.20.30, profile 74D")
def test_a_charger_keeps_to_the_goals_and_on_silence_to_its_own() -> None:
    """The more restrictive of goals and own settings; nothing at "do not charge"; own again
    after 6 s of silence."""
    charger, talker = RvcCharger(1, 57_600, 120_000), source()
    assert told(charger, talker, 0, 3_000, view()) == (56_000, 100_000)
    assert told(charger, talker, 3_000, 6_000, view(charge_allowed=False))[1] == 0
    high = view(protection_bits=alarm_bits(["pack_over_voltage"]))
    assert told(charger, talker, 6_000, 9_000, high)[1] == 0
    small = RvcCharger(1, 55_000, 20_000)
    assert told(small, talker, 9_000, 12_000, view()) == (55_000, 20_000)
    charger.decide(20_000)
    assert not charger.obeys
    assert (charger.voltage_mv, charger.current_ma) == (57_600, 120_000)


def test_a_charger_follows_the_source_that_goes_first() -> None:
    """Frames of a lower source change nothing while the higher one speaks."""
    charger, talker = RvcCharger(1, 57_600, 120_000), source()
    told(charger, talker, 0, 3_000, view())
    charger.received(from_other(STATUS_4, bytes.fromhex("01640780045089F3")), 3_000)
    charger.decide(3_000)
    assert charger.current_ma == 100_000
