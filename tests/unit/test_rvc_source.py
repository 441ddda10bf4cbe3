"""Speaking for a bank on RV-C: address, rank, what is said and how often."""

from itertools import pairwise

import pytest

from adapters.rvc.address import Address, lower, name_bytes
from adapters.rvc.frames import (
    EXTENDED,
    STATUS_1,
    STATUS_4,
    STATUS_5,
    STATUS_6,
    STATUS_11,
    identifier,
)
from adapters.rvc.said import SAID
from aggregator.report import alarm_bits
from tests.rvc_bus import OWN, from_other, last, rival, run, source, times, view


# ---- Address.
@pytest.mark.source("RV-C-2023", "3.3 and Table 7.2, after J1939-81")
def test_it_claims_an_address_first_and_waits() -> None:
    """The first frame is the claim; for 250 ms nothing follows."""
    said = run(source(), 0, 300, view())
    assert said[0][:2] == (0, 0xEEFF)
    assert [now_ms for now_ms, _, _ in said[1:]] == [260]


def test_the_name_holds_what_was_set() -> None:
    """NAME: identity number in 21 bits, manufacturer code in 11, address may be moved."""
    name = int.from_bytes(name_bytes(1_027, 4_711), "little")
    assert name & 0x1FFFFF == 4_711
    assert name >> 21 & 0x7FF == 1_027
    assert name >> 40 & 0xFF == 255
    assert name >> 63 == 1


def test_the_lower_name_keeps_the_address() -> None:
    """Of two that claim an address, the lower NAME stays and says so; the other moves down."""
    low, high = name_bytes(1, 5), name_bytes(2, 5)
    assert lower(low, high)
    assert not lower(high, low)
    for ours, theirs, own in ((low, high, OWN), (high, low, OWN - 1)):
        address = Address(ours, OWN)
        address.opened(0)
        address.claim()
        address.claimed(OWN, bytearray(theirs), 500)
        assert address.claim_due
        assert address.own == own
        assert address.claim() == (EXTENDED | 6 << 26 | 0xEEFF << 8 | own, ours)


def test_without_an_address_it_says_nothing_but_that() -> None:
    """Where stronger devices hold the whole range, we give up, and answer so when asked."""
    talker = source()
    talker.due(0, view(), True)
    for other in range(160, 176):
        talker.received((identifier(0xEEFF, other), bytes(8)), 100)
    said = run(talker, 100, 10_000, view())
    assert [(dgn, data) for _, dgn, data in said] == [(0xEEFF, talker.address.name)]
    assert talker.address.own == 0xFE


def test_our_own_claim_coming_back_is_no_rival() -> None:
    """Some buses return what was sent."""
    talker = source()
    (claim,) = talker.due(0, view(), True)
    talker.received(claim, 1)
    assert talker.due(20, view(), True) == []


# ---- Rank.
def test_it_listens_two_seconds_before_it_speaks() -> None:
    """No status before 2 s, then all of them."""
    said = run(source(), 0, 2_100, view())
    dgns = {dgn for dgn, *_ in SAID}
    assert min(now_ms for now_ms, dgn, _ in said if dgn in dgns) == 2_000
    assert dgns == {dgn for _, dgn, _ in said} & dgns


@pytest.mark.source("RV-C-2023", "6.5.1: the higher priority, then the higher address")
@pytest.mark.parametrize(
    ("priority", "other", "silent"),
    [(121, 70, True), (120, 200, True), (120, 70, False), (119, 200, False), (255, 200, False)],
)
def test_who_goes_before_us_silences_us(priority: int, other: int, silent: bool) -> None:
    """A higher priority, or the same and a higher address, and we stop; and say who it was."""
    talker = source()
    run(talker, 0, 3_000, view())
    talker.received(rival(priority, other), 3_000)
    said = run(talker, 3_000, 5_000, view())
    assert (times(said, STATUS_4) == []) == silent
    assert (talker.counts.trouble is not None) == silent


def test_it_takes_over_six_seconds_after_the_last_word() -> None:
    """The standard gives no time; ours is longer than its longest gap of 5 s."""
    talker = source()
    run(talker, 0, 3_000, view())
    talker.received(rival(200), 3_000)
    talker.received(rival(200), 5_000)
    assert times(run(talker, 5_000, 12_000, view()), STATUS_4)[0] == 11_000


def test_a_source_of_another_instance_is_no_rival() -> None:
    """Each DC instance has its own speaker."""
    talker = source()
    run(talker, 0, 3_000, view())
    talker.received(from_other(STATUS_1, bytes([2, 250]) + bytes(6)), 3_000)
    assert times(run(talker, 3_000, 4_500, view()), STATUS_4)


# ---- What is said, and when.
@pytest.mark.source("RV-C-2023", "the gaps of Tables 6.5.2 to 6.5.14")
def test_gaps_are_the_standards() -> None:
    """Normal gaps of 500 ms and 1 s; goals and limits at least each second where 5 s are allowed."""
    said = run(source(), 0, 8_000, view())
    for dgn, every_ms, _, _, _ in SAID:
        came = times(said, dgn)
        gaps = {after - before for before, after in pairwise(came)}
        assert gaps == ({every_ms} if every_ms else set())


def test_a_changed_goal_goes_out_at_once_but_not_closer_than_its_gap() -> None:
    """STATUS_4: on change, at least 100 ms apart."""
    talker = source()
    run(talker, 0, 3_010, view())
    came: list[int] = []
    for step in range(50):
        now_ms = 3_020 + 20 * step
        shown = view(charge_current_limit_ma=90_000 - 1_000 * step)
        came += times(run(talker, now_ms, now_ms + 20, shown), STATUS_4)
    assert came[0] <= 3_100
    assert {after - before for before, after in pairwise(came)} == {100}


def test_limits_are_rounded_down() -> None:
    """100.049 A at 56.049 V is said as 100 A at 56 V."""
    said = run(source(), 0, 2_100, view())
    assert last(said, STATUS_4) == "0178076004D084F3"


@pytest.mark.parametrize(
    "changes",
    [
        {"charge_allowed": False},
        {"charge_current_limit_ma": 49},
        {"charge_current_limit_ma": 0, "charge_allowed": False},
        {"charge_voltage_limit_mv": 0},
    ],
)
def test_no_charge_is_said_thrice_and_again_and_again(changes: dict[str, object]) -> None:
    """Not allowed, or 0 once rounded: "do not charge", high-voltage limit, charge bus off; each
    second, since silence would not stop a charger."""
    said = run(source(), 0, 6_000, view(**changes))
    assert last(said, STATUS_4) == "017801FFFFFFFFF3"
    assert last(said, STATUS_6)[4:6] == "CD"
    assert bytes.fromhex(last(said, STATUS_11))[2] == 0b11010001
    assert len(times(said, STATUS_4)) == 4


def test_no_discharge_is_said_by_flags() -> None:
    """RV-C has no number for it: low-voltage limit, and discharge bus off."""
    said = run(source(), 0, 2_100, view(discharge_allowed=False))
    assert bytes.fromhex(last(said, STATUS_6))[2] >> 4 & 3 == 1
    assert bytes.fromhex(last(said, STATUS_11))[2] & 3 == 0


@pytest.mark.source("RV-C-2023", "6.5.7: of several packs, a condition that all of them are in")
def test_flags_of_one_pack_are_a_matter_of_policy() -> None:
    """`any`: one pack's protection is flagged; `all`: only what holds for the whole bank."""
    cold = view(protection_bits=alarm_bits(["charge_under_temperature", "cell_over_voltage"]))
    strict = last(run(source(), 0, 2_100, cold), STATUS_6)
    lax = last(run(source(flags="all"), 0, 2_100, cold), STATUS_6)
    assert strict == "0178CDDFCCFFFFFF"
    assert lax == "0178CCFFFFFFFFFF"


def test_the_precise_voltage_hurries_during_over_voltage() -> None:
    """STATUS_5: each 100 ms at priority 2 while a cell is too high."""
    high = view(protection_bits=alarm_bits(["cell_over_voltage"]))
    talker = source()
    assert len(times(run(talker, 0, 3_000, high), STATUS_5)) == 10
    numbers = [number for number, _ in talker.due(3_020, high, True)]
    assert EXTENDED | 2 << 26 | STATUS_5 << 8 | OWN in numbers


def test_without_the_right_to_speak_nothing_is_said_of_the_bank() -> None:
    """Only the address and that we are well: also when asked."""
    talker = source()
    talker.received(from_other(0xEAFF, bytes([0xC9, 0xFE, 1, 0xFF])), 0)
    said = run(talker, 0, 11_000, view(), may_speak=False)
    assert [(now_ms, dgn) for now_ms, dgn, _ in said] == [
        (0, 0xEEFF), (260, 0x1FECA), (5_260, 0x1FECA), (10_260, 0x1FECA),
    ]  # fmt: skip
    assert times(run(talker, 11_000, 11_020, view(), may_speak=True), STATUS_4) == [11_000]


def test_charge_refers_to_the_capacity_as_designed() -> None:
    """262 Ah of 400 Ah as designed are 65.5 %; of the present 300 Ah, what the view says."""
    said = run(source(design_capacity_mah=400_000), 0, 2_100, view())
    assert bytes.fromhex(last(said, 0x1FFFC))[4] == 131
    assert bytes.fromhex(last(said, 0x1FFFB))[5] == 175
    assert bytes.fromhex(last(said, STATUS_11))[3:5] == (400).to_bytes(2, "little")
