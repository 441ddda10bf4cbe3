"""The bank said by a DBC map: periods, permission to speak, counters, checksums, what cannot be said."""

from pathlib import Path
from typing import Any

import crccheck
import pytest

from adapters.can.map_file import load_map
from adapters.can.says import DbcBank, DbcChargerSide, SaysSettings, says
from aggregator import Aggregator, BankSettings, PackSettings, SystemView
from tests.can_map import dbc_message, example, made

SETTINGS = SaysSettings(map="weir.toml")


def view(**fields: Any) -> SystemView:
    """A view with these fields."""
    made_view = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)])).step(0).copy()
    usual = {
        "charge_voltage_limit_mv": 55_219, "discharge_voltage_limit_mv": 44_801,
        "charge_current_limit_ma": 101_900, "discharge_current_limit_ma": 7_900,
        "charge_allowed": True, "discharge_allowed": True, "stage": "absorption",
        "voltage_mv": 53_120, "current_ma": -42_500, "soc_permille": 877,
    }  # fmt: skip
    for name, value in (usual | fields).items():
        setattr(made_view, name, value)
    return made_view


@pytest.fixture
def weir(tmp_path: Path) -> DbcBank:
    """The how-to page's inverter, spoken to."""
    example(tmp_path)
    return says(SETTINGS, tmp_path)


def heard(tmp_path: Path, frames: Any) -> dict[str, Any]:
    """What the inverter reads."""
    side = DbcChargerSide(SETTINGS, load_map(tmp_path / "weir.toml"))
    for frame in frames:
        side.received(frame)
    assert side.counts.refused == 0
    return side.fields


def test_bytes_are_those_worked_out_by_hand(weir: DbcBank) -> None:
    """55.2 V, 44.85 V, 100 A, 6 A, both allowed, absorption, count 0, in the DBC's places."""
    (limits_id, limits), (state_id, state) = weir.due(0, view(), True)
    assert (limits_id, state_id) == (0x98FF0600, 0x98FF0700)
    flags = 0b0000_10_11
    body = (1104).to_bytes(2, "little") + (897).to_bytes(2, "little") + bytes([50, 3, flags])
    assert limits[:7] == body
    assert limits[7] == crccheck.crc.Crc8SaeJ1850.calc(b"\x5a" + body)
    assert state == (1062).to_bytes(2, "little") + (-425).to_bytes(
        2, "little", signed=True
    ) + bytes([175, 3, 0, 0])


def test_the_inverter_reads_the_limits_back(weir: DbcBank, tmp_path: Path) -> None:
    """The other side reads what was said, each limit on its safe side."""
    fields = heard(tmp_path, weir.due(0, view(), True))
    assert fields["charge_voltage_limit_mv"] == 55_200
    assert fields["discharge_voltage_limit_mv"] == 44_850
    assert fields["charge_current_limit_ma"] == 100_000
    assert fields["discharge_current_limit_ma"] == 6_000
    assert (fields["charge_allowed"], fields["discharge_allowed"]) == (True, True)


def test_without_permission_only_telemetry_goes_out(weir: DbcBank) -> None:
    """A quiet board sends no limits; the moment it may speak they are due."""
    assert [can_id for can_id, _ in weir.due(0, view(), False)] == [0x98FF0700]
    assert [can_id for can_id, _ in weir.due(100, view(), True)] == [0x98FF0600]
    assert not weir.due(200, view(), False)


def test_the_last_word_stops_charging(weir: DbcBank, tmp_path: Path) -> None:
    """Stopped on purpose, the gateway says "do not charge"; not while another board speaks, nor if told not to."""
    assert not weir.closing(0, True)  # it has not said anything yet
    weir.due(0, view(), True)
    assert not weir.closing(100, False)
    told = heard(tmp_path, weir.closing(100, True))
    assert (told["charge_allowed"], told["charge_current_limit_ma"]) == (False, 0)
    assert (told["discharge_allowed"], told["discharge_current_limit_ma"]) == (True, 6_000)
    silent = says(SaysSettings(map="weir.toml", stops_charge_when_leaving=False), tmp_path)
    silent.due(0, view(), True)
    assert not silent.closing(100, True)


def test_what_asks_for_less_does_not_wait_for_its_period(weir: DbcBank, tmp_path: Path) -> None:
    """A fallen limit or a permission withdrawn is in the next frame; a risen one waits its turn."""
    weir.due(0, view(), True)
    assert not weir.due(200, view(charge_current_limit_ma=200_000), True)
    fallen = heard(tmp_path, weir.due(220, view(charge_current_limit_ma=20_000), True))
    assert fallen["charge_current_limit_ma"] == 20_000
    assert not weir.due(240, view(charge_allowed=False), True)  # a bus is not to be flooded
    denied = heard(tmp_path, weir.due(320, view(charge_allowed=False), True))
    assert (denied["charge_allowed"], denied["charge_current_limit_ma"]) == (False, 0)


def test_each_message_keeps_its_period(weir: DbcBank) -> None:
    """Two a second and one a second, counters running on; after a loss everything is due."""
    sent = [
        (now_ms, can_id, data)
        for now_ms in range(0, 3_000, 20)
        for can_id, data in weir.due(now_ms, view(), True)
    ]
    limits = [(now_ms, data[6] >> 4) for now_ms, can_id, data in sent if can_id == 0x98FF0600]
    assert limits == [(500 * number, number) for number in range(6)]
    assert [now_ms for now_ms, can_id, _ in sent if can_id == 0x98FF0700] == [0, 1_000, 2_000]
    weir.opened(3_010)
    assert len(weir.due(2_510, view(), True)) == 2


@pytest.mark.parametrize(
    ("fields", "current_ma", "may"),
    [
        ({"charge_current_limit_ma": 1_999}, 0, False),  # below one step of the signal
        ({"charge_current_limit_ma": 2_000}, 2_000, True),
        ({"charge_allowed": False}, 0, False),
        ({"charge_allowed": None}, 0, False),
        ({"charge_current_limit_ma": None}, 0, False),
        ({"charge_current_limit_ma": 10_000_000}, 508_000, True),  # all the signal holds
    ],
)
def test_no_current_and_not_allowed_go_together(
    weir: DbcBank, tmp_path: Path, fields: dict[str, Any], current_ma: int, may: bool
) -> None:
    """After rounding, a limit of 0 says "not allowed", and "not allowed" says 0."""
    told = heard(tmp_path, weir.due(0, view(**fields), True))
    assert (told["charge_current_limit_ma"], told["charge_allowed"]) == (current_ma, may)
    assert told["discharge_allowed"] is True


def test_what_is_unknown_is_said_so_or_not_at_all(weir: DbcBank, tmp_path: Path) -> None:
    """Unknown measurements carry the code for "no data"; so does an unknown charge voltage."""
    told = heard(tmp_path, weir.due(0, view(soc_permille=None, voltage_mv=None), True))
    assert told["soc_permille"] is None
    assert told["voltage_mv"] is None
    assert told["current_ma"] == -42_500


def test_what_a_signal_cannot_say_is_left_out(tmp_path: Path) -> None:
    """A limit below what the signal holds, or a floor above it: the message is not sent, and counted."""
    dbc = dbc_message("L", 1, 2, ['V : 0|8@1+ (0.1,50) [0|0] "V"', 'F : 8|8@1+ (0.1,30) [0|0] "V"'])
    rows = '[[messages]]\nmessage = "L"\nsignals = [{ signal = "V", field = "charge_voltage_limit_mv" }, { signal = "F", field = "discharge_voltage_limit_mv" }]\n'
    bank = DbcBank(SaysSettings(map=""), made(tmp_path, dbc, rows))
    assert bank.due(0, view(charge_voltage_limit_mv=50_099), True) == [(1, bytes([0, 149]))]
    assert not bank.due(1_000, view(charge_voltage_limit_mv=49_999), True)
    assert bank.counts.trouble == "L is not sent: V cannot say this charge_voltage_limit_mv"
    assert not bank.due(2_000, view(discharge_voltage_limit_mv=56_000), True)
    assert bank.counts.dropped == 2


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"charge_voltage_limit_mv": 49_999}, (50_000, 0, False, True)),
        ({"charge_voltage_limit_mv": 0, "charge_allowed": False}, (50_000, 0, False, True)),
        ({"discharge_voltage_limit_mv": 76_000}, (55_200, 101_000, True, False)),
    ],
)
def test_a_voltage_that_cannot_be_said_forbids_the_current(
    tmp_path: Path, fields: dict[str, Any], told: tuple[int, int, bool, bool]
) -> None:
    """Left out, the message would let the inverter go on with what it heard last."""
    dbc = dbc_message("L", 1, 4, [
        'V : 0|8@1+ (0.1,50) [0|0] "V"', 'F : 8|8@1+ (0.1,50) [0|0] "V"',
        'A : 16|8@1+ (1,0) [0|0] "A"', 'C : 24|1@1+ (1,0) [0|0] ""', 'D : 25|1@1+ (1,0) [0|0] ""',
    ])  # fmt: skip
    rows = """[[messages]]
message = "L"
signals = [
  { signal = "V", field = "charge_voltage_limit_mv" },
  { signal = "F", field = "discharge_voltage_limit_mv" },
  { signal = "A", field = "charge_current_limit_ma" },
  { signal = "C", field = "charge_allowed" },
  { signal = "D", field = "discharge_allowed" },
]
"""
    limits = made(tmp_path, dbc, rows)
    said = {"discharge_voltage_limit_mv": 55_000, "charge_current_limit_ma": 101_000}
    frames = DbcBank(SaysSettings(map=""), limits).due(0, view(**(said | fields)), True)
    side = DbcChargerSide(SaysSettings(map=""), limits)
    for frame in frames:
        side.received(frame)
    names = (
        "charge_voltage_limit_mv", "charge_current_limit_ma", "charge_allowed", "discharge_allowed",
    )  # fmt: skip
    assert tuple(side.fields[name] for name in names) == told


def test_limits_do_not_depend_on_what_may_be_unknown(tmp_path: Path) -> None:
    """When the last pack falls silent the 0 must go out, whatever else stands in its message."""
    dbc = dbc_message("L", 1, 2, ['A : 0|8@1+ (1,0) [0|0] "A"', 'S : 8|7@1+ (1,0) [0|0] "%"'])
    rows = """[[messages]]
message = "L"
signals = [
  { signal = "A", field = "charge_current_limit_ma" },
  { signal = "S", field = "soc_permille"WHEN },
]
"""
    with pytest.raises(ValueError, match="L tells limits, and S has no number for when soc"):
        DbcBank(SaysSettings(map=""), made(tmp_path, dbc, rows.replace("WHEN", "")))
    limits = made(tmp_path, dbc, rows.replace("WHEN", ", no_data = [127]"))
    lost = view(soc_permille=None, charge_allowed=False, charge_current_limit_ma=0)
    assert DbcBank(SaysSettings(map=""), limits).due(0, lost, True) == [(1, bytes([0, 127]))]


def test_fields_of_a_pack_are_not_the_banks(tmp_path: Path) -> None:
    """A map that names what the bank's view does not have is refused when the talker is made."""
    dbc = dbc_message("L", 1, 2, ['V : 0|16@1+ (1,0) [0|0] "mV"'])
    rows = '[[messages]]\nmessage = "L"\nsignals = [{ signal = "V", field = "cells_mv", number = 1 }]\n'
    with pytest.raises(ValueError, match=r"fields of the bank's view, not cells_mv\[1\]"):
        DbcBank(SaysSettings(map=""), made(tmp_path, dbc, rows))
