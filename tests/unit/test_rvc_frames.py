"""RV-C frames: the published layouts, and numbers rounded to the safe side."""

import pytest

from adapters.rvc import scales, statuses
from adapters.rvc.frames import (
    EXTENDED,
    NO,
    STATUS_1,
    STATUS_2,
    STATUS_3,
    STATUS_4,
    STATUS_5,
    STATUS_6,
    STATUS_11,
    YES,
    Frame,
    identifier,
)
from adapters.rvc.pack import RvcPack

INSTANCE, PRIORITY, SOURCE = 1, 120, 0x46


def limits(data: bytearray) -> None:
    """High-voltage limit and nothing else."""
    statuses.clear_6(data, NO)
    statuses.set_6(data, statuses.HIGH_VOLTAGE, YES)


def buses(data: bytearray) -> None:
    """Both buses on, charge flows in, reserve not reached; 300 Ah, 2258 W."""
    statuses.put_11(data, YES, YES, YES, 300_000, 2_258, NO)


# DGN, identifier, data, how it is filled in
VECTORS = [
    (STATUS_1, 0x19FFFD46, "01782604FCED3477", lambda d: statuses.put_1(d, 53_100, 42_500)),
    (STATUS_2, 0x19FFFC46, "0178E024AFFFFFFF", lambda d: statuses.put_2(d, 220, 875)),
    (STATUS_3, 0x19FFFB46, "0178C60601B0FFFF", lambda d: statuses.put_3(d, 990, 262_000, 880)),
    (STATUS_4, 0x19FEC946, "0178076004B888F3", lambda d: statuses.put_4(d, True, 56_000, 150_000)),
    (STATUS_4, 0x19FEC946, "017801FFFFFFFFF3", lambda d: statuses.put_4(d, False, 56_000, 1_000)),
    (STATUS_5, 0x19FEC846, "017880CF0000FFFF", lambda d: statuses.put_5(d, 53_120)),
    (STATUS_6, 0x19FEC746, "0178010000FFFFFF", limits),
    (STATUS_11, 0x19FEA546, "0178152C01D208FF", buses),
]


@pytest.mark.source("RV-C-2023", "Tables 3.2b, 5.3, 6.5.2 to 6.5.14; worked out by hand")
@pytest.mark.parametrize(("dgn", "number", "data", "fill"), VECTORS)
def test_frames_are_as_published(dgn: int, number: int, data: str, fill) -> None:  # type: ignore[no-untyped-def]
    """Each status has the identifier and the bytes that the standard's tables give."""
    made = bytearray([INSTANCE, PRIORITY] + [0xAA] * 6)
    fill(made)
    assert identifier(dgn, SOURCE) == EXTENDED | number
    assert made.hex().upper() == data


@pytest.mark.source("RV-C-CAPTURE", "the one DC_SOURCE_STATUS_4 frame")
def test_goals_of_a_real_source_are_read() -> None:
    """A frame from a public capture says 54.7 V and 90 A, as its log has it."""
    pack = RvcPack("oak", 1)
    goals = (EXTENDED | 0x19FEC980, bytes.fromhex("01780746040884F3"))
    now = (EXTENDED | 0x19FFFD80, bytes.fromhex("01782604FCED3477"))
    assert pack.received(goals, 0) == []
    (report,) = pack.received(now, 0)
    assert report.charge_voltage_limit_mv == 54_700
    assert report.charge_current_limit_ma == 90_000
    assert (report.voltage_mv, report.current_ma) == (53_100, 42_500)


def test_voltages_on_the_grid_stay_on_it() -> None:
    """No step of 0.05 V is lost between 40 and 60 V, as binary fractions would lose some."""
    for mv in range(40_000, 60_001, 50):
        assert scales.volts_down(mv) * 50 == mv
        assert scales.volts_down(mv + 49) * 50 == mv


@pytest.mark.parametrize("ma", [0, 1, -1, 65_535, 65_536, -65_536, 300_000, -1_000_000, 1_000_000])
def test_currents_come_back_whole(ma: int) -> None:
    """What is written in four bytes is read again, with its sign."""
    data = bytearray(8)
    scales.put_current(data, 4, ma)
    assert int.from_bytes(data[4:], "little") == 2_000_000_000 - ma
    assert scales.get_current(data, 4) == ma


def test_no_data_is_unknown_both_ways() -> None:
    """Unknown goes out as all ones, and all that is no number comes in as unknown."""
    data = bytearray(8)
    scales.put_current(data, 4, None)
    assert data[4:] == b"\xff\xff\xff\xff"
    assert scales.get_current(data, 4) is None
    for write in (scales.volts_down, scales.volts_near, scales.amps_down, scales.degrees_near):
        assert write(None) == 0xFFFF
    assert scales.half_percent_down(None) == 0xFF
    for raw in (0xFFFD, 0xFFFE, 0xFFFF):
        for read in (scales.mv_of, scales.ma_of, scales.decic_of, scales.mah_of):
            assert read(raw) is None
    for raw in (253, 254, 255, 201):
        assert scales.permille_of(raw) is None


def test_what_is_no_frame_is_told_from_what_is_another_bus() -> None:
    """Identifiers of 11 bits are passed over; what is no frame at all is bad."""
    frame = Frame()
    assert not frame.take((0x123, b""))
    assert not frame.bad
    for item in (None, (1,), (EXTENDED, "12"), (EXTENDED, bytes(9)), (-1, b""), (1 << 32, b"")):
        assert not frame.take(item)
        assert frame.bad
    assert frame.take((EXTENDED | 0x18EAFF46, b"\x01"))
    assert (frame.dgn, frame.destination, frame.source) == (0xEA00, 0xFF, 0x46)
    assert frame.data == b"\x01" + b"\xff" * 7
