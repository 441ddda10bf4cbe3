"""Packs that speak only when they are asked: the requests of a DBC map."""

from pathlib import Path
from typing import Any

import pytest

from adapters.can.hears import DbcPack, HearsSettings
from adapters.can.map_file import EXTENDED
from adapters.toml_file import BadFileError
from aggregator import Aggregator, BankSettings, PackSettings
from tests.can_map import dbc_message, made

STATE = dbc_message("STATE", 0x18FF5020 | EXTENDED, 2, ['Volts : 0|16@1+ (0.1,0) [0|0] "V"'])
ROWS = """\
[[messages]]
message = "STATE"
signals = [{ signal = "Volts", field = "voltage_mv" }]
[[requests]]
id = 0x18EA00F9
data = "50 FF 00"
every_ms = 500
[[requests]]
id = 0x101
every_ms = 2_000
"""
VIEW = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)])).step(0)


def talker(folder: Path, rows: str = ROWS, **settings: Any) -> DbcPack:
    """Return a talker of a map with two requests."""
    return DbcPack(HearsSettings(map="", pack="oak", **settings), made(folder, STATE, rows))


def test_each_request_keeps_its_period(tmp_path: Path) -> None:
    """Also while this gateway may not speak: no charger obeys a question; after a loss all are due."""
    one = talker(tmp_path)
    asked = [
        (now_ms, can_id)
        for now_ms in range(0, 2_100, 100)
        for can_id, _ in one.due(now_ms, VIEW, False)
    ]
    first, second = 0x18EA00F9 | EXTENDED, 0x101
    assert [now_ms for now_ms, can_id in asked if can_id == first] == [0, 500, 1_000, 1_500, 2_000]
    assert [now_ms for now_ms, can_id in asked if can_id == second] == [0, 2_000]
    one.opened(2_110)
    assert one.due(2_110, VIEW, False) == [(first, b"\x50\xff\x00"), (second, b"")]


def test_a_request_goes_to_the_unit(tmp_path: Path) -> None:
    """The offset shifts it; a J1939 request names the unit as its destination."""
    ids = [can_id for can_id, _ in talker(tmp_path, id_offset=2).due(0, VIEW, True)]
    assert ids == [0x18EA00FB | EXTENDED, 0x103]
    one = talker(tmp_path, 'ids = "j1939"\n' + ROWS, source_address=0x45)
    assert [can_id for can_id, _ in one.due(0, VIEW, True)] == [0x18EA45F9 | EXTENDED, 0x101]


def test_an_offset_may_not_leave_the_ids(tmp_path: Path) -> None:
    """A request, too, needs an id of its kind."""
    with pytest.raises(ValueError, match="id_offset: one that leaves each request"):
        talker(tmp_path, id_offset=0x700)


@pytest.mark.parametrize("data", ["5", "GG", "00" * 9])
def test_bytes_that_are_none(tmp_path: Path, data: str) -> None:
    """What to ask is up to eight bytes in hex."""
    with pytest.raises(BadFileError, match=r"requests\[1\]\.data: expected up to 8 bytes in hex"):
        made(tmp_path, STATE, ROWS.replace("50 FF 00", data))
