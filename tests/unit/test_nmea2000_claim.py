"""Claiming an address on NMEA 2000: before anything else, again when asked, and another one when it is lost."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.nmea2000.claim import ADDRESS_CLAIM, NOBODY, SETTLE_MS, Claim, name_of
from adapters.nmea2000.packets import REQUEST, Frame, identifier, parted
from adapters.nmea2000.says import Nmea2000Bank, SaysNmea2000
from aggregator import Aggregator, BankSettings, PackSettings
from aggregator.ticks import TICK_MASK

VIEW = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)])).step(0)
OURS = name_of(1_000, 5, 0)


def bank() -> Nmea2000Bank:
    """A bank that claims its address."""
    return Nmea2000Bank(SaysNmea2000(manufacturer_code=1_000, unique_number=5, source_address=35))


def sent(one: Nmea2000Bank, now_ms: int) -> list[tuple[int, int]]:
    """Return (group, source) of each frame that is due."""
    found = [parted(can_id) for can_id, _ in one.due(now_ms, VIEW, True)]
    return [(group, source) for group, source, _ in filter(None, found)]


def claim_of(source: int, name: int) -> Frame:
    """Return another device's claim."""
    return identifier(ADDRESS_CLAIM | 0xFF, source), name.to_bytes(8, "little")


def test_the_claim_comes_first() -> None:
    """Nothing else goes out before others could object."""
    one = bank()
    assert sent(one, 0) == [(ADDRESS_CLAIM, 35)]
    assert sent(one, SETTLE_MS - 1) == []
    assert (127_508, 35) in sent(one, SETTLE_MS)


def test_a_request_is_answered_with_the_claim() -> None:
    """Who asks for addresses gets ours, and the telemetry goes on."""
    one = bank()
    sent(one, 0)
    sent(one, 300)
    one.received((identifier(REQUEST, 9) | 0xFF << 8, ADDRESS_CLAIM.to_bytes(3, "little")), 400)
    assert sent(one, 400) == [(ADDRESS_CLAIM, 35)]
    assert (127_508, 35) in sent(one, 1_800)


def test_the_lower_name_keeps_the_address() -> None:
    """A higher name is answered; for a lower one we move on, past addresses that are taken."""
    one = bank()
    sent(one, 0)
    sent(one, 300)
    one.received(claim_of(35, OURS + 1), 400)
    assert sent(one, 400) == [(ADDRESS_CLAIM, 35)]
    one.received(claim_of(36, 7), 500)
    assert sent(one, 500) == []
    one.received(claim_of(35, OURS - 1), 600)
    assert sent(one, 600) == [(ADDRESS_CLAIM, 37)]
    assert sent(one, 700) == []
    assert {source for _, source in sent(one, 2_200)} == {37}


def test_without_a_free_address_we_are_silent() -> None:
    """When all are taken the claim says so, and nothing else is sent."""
    claim = Claim(35, OURS)
    for address in range(252):
        claim.heard((36 + address) % 252, (1).to_bytes(8, "little"))
    ((can_id, _),) = claim.due(0)
    assert can_id & 0xFF == claim.address == NOBODY
    assert not claim.may_send(10_000)


def test_a_claim_outlives_the_counters_wrap() -> None:
    """An address once settled stays settled, however the counter of milliseconds runs."""
    one = bank()
    start = TICK_MASK - 100
    assert sent(one, start)
    for turn in range(2_000):
        frames = sent(one, (start + 1_000_000 * (turn + 1)) & TICK_MASK)
        assert (127_508, 35) in frames


@given(frames=st.lists(st.tuples(st.integers(0, 255), st.binary(max_size=9)), max_size=30))
def test_any_claims_leave_one_address(frames: list[Any]) -> None:
    """Whatever others claim: no error, and an address that is ours or nobody's."""
    claim = Claim(35, OURS)
    for source, data in frames:
        claim.heard(source, data)
        assert 0 <= claim.address <= 251 or claim.address == NOBODY


@pytest.mark.parametrize("code", [-1, 2_047])
def test_codes_that_nobody_has(code: int) -> None:
    """A manufacturer code is one of eleven bits, and not the one that stands for none."""
    with pytest.raises(ValueError, match="a whole number from 0 to 2046"):
        SaysNmea2000(manufacturer_code=code)
