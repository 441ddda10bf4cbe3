"""Any bytes as frames: no decoder raises, and what it brings is whole."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.can.hears import DbcPackSide, HearsSettings
from aggregator import Aggregator, BankSettings, PackReport, PackSettings, Request
from tests.can_fuzz import DECODERS, IDS, brook, frames


@pytest.mark.parametrize("name", DECODERS)
@given(data=st.binary(max_size=400))
def test_any_bytes_are_taken_or_refused(name: str, data: bytes) -> None:
    """Every decoder of the table survives any frames, and its reports are ones that a bank can judge."""
    one = DECODERS[name]()
    bank = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)]))
    one.opened(0)
    for now_ms, frame in enumerate(frames(data)):
        for record in one.received(frame, now_ms):
            assert isinstance(record, PackReport)
            assert not isinstance(record, Request)
            bank.accept(record, now_ms)
        one.due(now_ms, bank.step(now_ms), True)


def test_bytes_reach_the_decoders() -> None:
    """The table's ids and lengths are such that whole reports can come of random bytes."""
    side = DbcPackSide(HearsSettings(map="", pack="oak"), brook())
    report = PackReport("oak", 1, voltage_mv=13_000, current_ma=0, soc_permille=500,
                        temperature_min_decic=200, temperature_max_decic=200,
                        cells_mv=(3_250,) * 4, charge_voltage_limit_mv=14_000,
                        discharge_voltage_limit_mv=11_000, charge_current_limit_ma=0,
                        discharge_current_limit_ma=0, capacity_mah=100_000)  # fmt: skip
    sent = side.frames(report, 0)
    data = b"".join(bytes([IDS.index(can_id), len(body)]) + body for can_id, body in sent)
    assert frames(data) == sent
    one = DECODERS["dbc"]()
    assert any(one.received(frame, 0) for frame in frames(data))
