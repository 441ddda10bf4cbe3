"""NMEA 2000: periods, requests, pieces, what is heard of packs and chargers, and no frame that breaks it."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.gateway.site_file import load_site
from adapters.nmea2000.groups import BATTERY_STATUS, GROUPS, Field
from adapters.nmea2000.hears import HearsNmea2000, Nmea2000Pack
from adapters.nmea2000.packets import (
    EXTENDED,
    LONGEST,
    MOST_OPEN,
    REQUEST,
    Joiner,
    identifier,
    parted,
    pieces,
)
from adapters.nmea2000.says import MOST_CHARGERS, Nmea2000Bank, SaysNmea2000, charger_frames
from aggregator import Aggregator, BankSettings, BusReport, PackReport, PackSettings, SystemView
from tests.can_map import example
from tests.sources import ROOT

PIECE = st.tuples(
    st.sampled_from([identifier(number, source) for number in GROUPS for source in (1, 2)])
    | st.integers(0, (1 << 32) - 1),
    st.binary(max_size=64),
)


def view(**fields: Any) -> SystemView:
    """Return a view with some fields known."""
    made = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)])).step(0).copy()
    for name, value in fields.items():
        setattr(made, name, value)
    return made


def groups_sent(bank: Nmea2000Bank, now_ms: int, seen: SystemView) -> list[int]:
    """Return the groups whose messages begin now."""
    found = [parted(can_id) for can_id, _ in bank.due(now_ms, seen, False)]
    return list(dict.fromkeys(one[0] for one in found if one is not None))


def test_the_pages_site_is_usable(tmp_path: Path) -> None:
    """The how-to page's example has no mistake, and talks as it says."""
    page = (ROOT / "docs" / "how-to" / "nmea-2000.md").read_text(encoding="utf-8")
    example(tmp_path)  # the packs' map is that of another page
    (tmp_path / "SITE.toml").write_text(
        page.split("```toml\n")[1].split("```")[0], encoding="utf-8"
    )
    plan = load_site(tmp_path / "SITE.toml")
    assert [type(one) for one in plan.links[1].says] == [Nmea2000Bank]
    assert [type(one) for one in plan.links[1].hears] == [Nmea2000Pack]


@pytest.mark.source("CANBOAT", "127508, the example worked out there")
def test_status_bytes() -> None:
    """53.12 V, -42.5 A, 25 °C are the bytes that were checked with two readers."""
    seen = view(voltage_mv=53_120, current_ma=-42_500, temperature_max_decic=250)
    (can_id, data), *_ = Nmea2000Bank(SaysNmea2000()).due(0, seen, False)
    assert (can_id, data.hex()) == (0x19F21423 | EXTENDED, "00c01457fe777401")


def test_each_group_keeps_its_period() -> None:
    """State every 1.5 s; the configuration at first, when the capacity changes, and each minute."""
    bank, seen = Nmea2000Bank(SaysNmea2000()), view(capacity_mah=300_000)
    assert groups_sent(bank, 0, seen) == [127_508, 127_506, 127_513]
    assert groups_sent(bank, 1_499, seen) == []
    assert groups_sent(bank, 1_500, seen) == [127_508, 127_506]
    assert groups_sent(bank, 1_600, view(capacity_mah=200_000)) == [127_513]
    assert groups_sent(bank, 61_600, view(capacity_mah=200_000)) == [127_508, 127_506, 127_513]
    bank.opened(61_700)
    assert groups_sent(bank, 61_700, view(capacity_mah=200_000)) == [127_508, 127_506, 127_513]


def test_a_request_is_answered() -> None:
    """Asked for a group, by everybody's address or ours, the bank sends it; another's is ignored."""
    bank, seen = Nmea2000Bank(SaysNmea2000()), view()
    bank.due(0, seen, False)
    asked = (127_506).to_bytes(3, "little")
    for destination, expected in ((255, [127_506]), (35, [127_506]), (36, [])):
        can_id = identifier(REQUEST, 9) | destination << 8
        assert bank.received((can_id, asked), 10) == ()
        assert groups_sent(bank, 10, seen) == expected


def test_status_and_detail_carry_the_same_number() -> None:
    """Messages of one moment share their sequence id, which runs from 0 to 252."""
    bank = Nmea2000Bank(SaysNmea2000())
    ids = []
    for number in range(600):
        status, first, *_ = bank.due(1_500 * number, view(), False)
        assert status[1][7] == first[1][2]
        ids.append(status[1][7])
    assert max(ids) == 252
    assert ids[:3] == [1, 2, 3]
    assert ids[252] == 0


def test_a_charger_is_kept() -> None:
    """What a charger says of itself is there to be shown; it brings no record to the bank."""
    bank = Nmea2000Bank(SaysNmea2000())
    for frame in charger_frames(7, 3, 0, "absorption"):
        assert bank.received(frame, 42) == ()
    charger = bank.chargers[7, 3]
    assert (charger.battery, charger.state, charger.enabled, charger.heard_ms) == (
        0, "absorption", True, 42,
    )  # fmt: skip


def test_chargers_are_bounded() -> None:
    """A bus full of chargers does not fill the memory."""
    bank = Nmea2000Bank(SaysNmea2000())
    for source in range(100):
        for frame in charger_frames(source, 0, 0, "float"):
            bank.received(frame, 0)
    assert len(bank.chargers) == MOST_CHARGERS
    assert bank.counts.refused == 100 - MOST_CHARGERS


def heard(settings: HearsNmea2000, seen: SystemView) -> list[Any]:
    """Return what a listener makes of what the bank sends in two periods."""
    bank, listener = Nmea2000Bank(SaysNmea2000(instance=4)), Nmea2000Pack(settings)
    return [
        record
        for now_ms in (0, 1_500)
        for frame in bank.due(now_ms, seen, False)
        for record in listener.received(frame, now_ms)
    ]


SEEN = {"voltage_mv": 53_123, "current_ma": -42_460, "temperature_max_decic": -55,
        "soc_permille": 877, "soh_permille": 991}  # fmt: skip


def test_a_battery_is_heard() -> None:
    """Another gateway reads what we send: as a pack, or as a meter, with the sign it is told."""
    first, second = heard(HearsNmea2000(instance=4, pack="oak"), view(**SEEN))
    assert isinstance(second, PackReport)
    assert (first.soc_permille, second.soc_permille, second.soh_permille) == (None, 870, 990)
    assert (second.voltage_mv, second.current_ma) == (53_120, -42_500)
    assert (second.temperature_min_decic, second.temperature_max_decic) == (-55, -55)
    assert second.charge_current_limit_ma is None
    meter = heard(HearsNmea2000(instance=4, positive="discharge"), view(**SEEN))[-1]
    assert isinstance(meter, BusReport)
    assert (meter.voltage_mv, meter.current_ma) == (53_120, 42_500)
    assert not heard(HearsNmea2000(instance=5, pack="oak"), view(**SEEN))
    assert not heard(HearsNmea2000(instance=4, pack="oak", source_address=34), view(**SEEN))


def test_two_batteries_of_one_instance_are_not_mixed() -> None:
    """Many come with the same instance: the first one counts until it has been silent for 10 s."""
    pack = Nmea2000Pack(HearsNmea2000(instance=0, pack="oak"))

    def says(source: int, voltage_mv: int, now_ms: int) -> list[int | None]:
        data = BATTERY_STATUS.data({"instance": 0, "voltage_mv": voltage_mv, "current_ma": 1_000})
        found = pack.received((identifier(BATTERY_STATUS.number, source), data), now_ms)
        return [one.voltage_mv for one in found if isinstance(one, PackReport)]

    assert says(10, 53_000, 0) == [53_000]
    assert says(11, 54_000, 500) == []
    assert pack.counts.trouble == "a second source of this instance: give source_address"
    assert says(10, 53_010, 1_000) == [53_010]
    assert says(11, 54_010, 11_001) == [54_010]


@given(data=st.binary(min_size=1, max_size=LONGEST), sequence=st.integers(0, 7))
def test_pieces_join_to_what_they_were(data: bytes, sequence: int) -> None:
    """Any message comes out of its pieces whole, once, and not before the last."""
    joiner = Joiner()
    joined = [joiner.take(1, 2, piece) for piece in pieces(data, sequence)]
    assert joined[-1] == data
    assert not any(joined[:-1])


@given(data=st.binary(min_size=7, max_size=40), lost=st.integers(0, 5))
def test_a_lost_piece_loses_the_message(data: bytes, lost: int) -> None:
    """Without one of its pieces nothing comes; the next message is whole again."""
    parts = pieces(data, 1)
    lost %= len(parts)
    joiner = Joiner()
    assert not any(joiner.take(1, 2, one) for one in parts[:lost] + parts[lost + 1 :])
    assert [joiner.take(1, 2, one) for one in pieces(data, 2)][-1] == data


def test_open_messages_are_bounded() -> None:
    """First pieces of messages that never end do not fill the memory."""
    joiner = Joiner()
    for source in range(1_000):
        joiner.take(1, source, pieces(b"x" * 20, 0)[0])
    assert len(joiner._open) == MOST_OPEN


@given(frames=st.lists(PIECE, max_size=40))
def test_no_frame_breaks_it(frames: list[Any]) -> None:
    """Whatever comes: no error, and reports that the bank takes or refuses."""
    speaker, pack = (
        Nmea2000Bank(SaysNmea2000()),
        Nmea2000Pack(HearsNmea2000(instance=0, pack="oak")),
    )
    bank = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)]))
    for now_ms, frame in enumerate(frames):
        assert speaker.received(frame, now_ms) == ()
        for record in pack.received(frame, now_ms):
            assert isinstance(record, PackReport)
            assert bank.accept(record, now_ms) is None
        speaker.due(now_ms, bank.step(now_ms), False)


FIELDS = sorted({field for group in GROUPS.values() for field in group.fields}, key=repr)


@given(field=st.sampled_from(FIELDS), value=st.integers(-(1 << 31), 1 << 31))
def test_a_value_is_near_or_unknown(field: Field, value: int) -> None:
    """Written and read back, a value is within one step, below it where it is a charge, or unknown."""
    back = field.read(field.written(value))
    num, den = field.step
    if back is not None:
        assert abs(back - value) <= num // den + 1
        assert not field.floors or back <= value


def test_reserved_codes_are_unknown() -> None:
    """The highest three codes of a number are no values."""
    voltage = BATTERY_STATUS.fields[1]
    read = [voltage.read(raw) for raw in (0x7FFC, 0x7FFD, 0x7FFE, 0x7FFF, 0xFFFF)]
    assert read == [327_640, None, None, None, -10]
    percent = Field("soc_permille", 8, (10, 1))
    assert [percent.read(raw) for raw in (100, 252, 253, 254, 255)] == [
        1_000,
        2_520,
        None,
        None,
        None,
    ]
