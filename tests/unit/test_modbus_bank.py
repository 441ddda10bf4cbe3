"""The bank by a register map: what others read, what is written to them, what they may write."""

from pathlib import Path

import pytest

from adapters.modbus import (
    BankServer,
    RegisterMap,
    ServeSettings,
    read_bank,
)
from adapters.modbus.maps import Row
from adapters.modbus.spell import spelled
from adapters.registers import Idle, Image, Layout, Written
from aggregator import Request, SystemView
from aggregator.requests import check_request
from tests.registers import map_in, view_of

MAP = """
kind = "registers"
of = "bank"

[[groups]]
name = "limits"
every_ms = 1000
rows = [
    { field = "charge_voltage_limit_mv", address = 10, unit = "V", scale = 0.1 },
    { field = "discharge_voltage_limit_mv", address = 11, unit = "V", scale = 0.1, type = "u32" },
    { field = "charge_current_limit_ma", address = 13, unit = "A" },
    { field = "discharge_current_limit_ma", address = 14, unit = "A", scale = -0.1, type = "i16" },
    { field = "charge_allowed", address = 15, bit = 0 },
    { field = "discharge_allowed", address = 15, bit = 1 },
    { field = "heartbeat", address = 16 },
]

[[groups]]
name = "telemetry"
function = 4
every_ms = 5000
rows = [
    { field = "soc_permille", address = 0, unit = "%", no_data = [255] },
    { field = "current_ma", address = 1, type = "f32", unit = "A", positive = "discharge" },
    { field = "protections", address = 3, bits = { 0 = "short_circuit", 1 = "other" } },
    { field = "constant", address = 4, constant = 4660 },
    { field = "temperature_max_decic", address = 6, type = "i16", unit = "K", scale = 0.1, no_data = [-1] },
]

[[writes]]
request = "cap_charge_current"
address = 100
type = "u32"
unit = "A"
scale = 0.1
no_data = [4294967295]
lasts_ms = 60000

[[writes]]
request = "stop_discharge"
address = 102
true = [1]
false = [0]

[[writes]]
request = "start_bulk"
address = 103
"""


@pytest.fixture
def map_(tmp_path: Path) -> RegisterMap:
    return map_in(tmp_path, MAP)


def server(map_: RegisterMap, **settings: object) -> BankServer:
    return BankServer(map_, ServeSettings(map="", device=3, **settings))  # type: ignore[arg-type]


def shown(map_: RegisterMap, view: SystemView, may_speak: bool = True) -> dict[str, object]:
    """What a charger reads."""
    (image,) = server(map_).due(0, view, may_speak)
    assert isinstance(image, Image)
    assert image.tables is not None
    return read_bank(map_, image.tables)


def test_what_is_served(map_: RegisterMap) -> None:
    """Each number in its unit, type and sign; limits on their safe side."""
    (image,) = server(map_).due(0, view_of(protection_bits=1 << 14), True)
    assert isinstance(image, Image)
    assert image.tables is not None
    holding = {at: word for at, word in image.tables[3].items() if at < 100}
    discharge = 0x10000 - 2_000  # 200.001 A as -200.0
    assert holding == {10: 552, 11: 0, 12: 449, 13: 150, 14: discharge, 15: 3, 16: 1}
    assert image.tables[4] == {0: 87, 1: 0x422A, 2: 0, 3: 1, 4: 0x1234, 6: 2_963}


def test_what_is_read_back(map_: RegisterMap) -> None:
    """A charger reads what the bank allows, or less."""
    said = shown(map_, view_of())
    assert said["charge_voltage_limit_mv"] == 55_200
    assert said["discharge_voltage_limit_mv"] == 44_900
    assert said["charge_current_limit_ma"] == 150_000
    assert said["discharge_current_limit_ma"] == 200_000
    assert said["current_ma"] == -42_500
    assert said["temperature_max_decic"] == 232  # 23.15 °C, to the step of 0.1 K
    assert (said["charge_allowed"], said["discharge_allowed"]) == (True, True)


def test_a_limit_that_rounds_to_nothing_is_not_allowed(map_: RegisterMap) -> None:
    """Less than one step of the register: 0, and not allowed; the other direction stays."""
    said = shown(map_, view_of(charge_current_limit_ma=999))
    assert (said["charge_current_limit_ma"], said["charge_allowed"]) == (0, False)
    assert (said["discharge_current_limit_ma"], said["discharge_allowed"]) == (200_000, True)


def test_not_allowed_is_a_limit_of_nothing(map_: RegisterMap) -> None:
    """The permission is taken back: the limit is 0 on the bus, whatever the view still shows."""
    said = shown(map_, view_of(discharge_allowed=False))
    assert (said["discharge_current_limit_ma"], said["discharge_allowed"]) == (0, False)


def test_unknown_is_no_data(map_: RegisterMap) -> None:
    """What is unknown is shown as the map says, a float as none; what would read as "no data" is
    stepped over."""
    said = shown(map_, view_of(soc_permille=None, current_ma=None, temperature_max_decic=-2732))
    assert (said["soc_permille"], said["current_ma"]) == (None, None)


def test_without_permission_to_speak(map_: RegisterMap) -> None:
    """Both currents are 0 and not allowed, and the heartbeat stands still."""
    said = shown(map_, view_of(), may_speak=False)
    assert (said["charge_current_limit_ma"], said["charge_allowed"]) == (0, False)
    assert (said["discharge_current_limit_ma"], said["discharge_allowed"]) == (0, False)
    bank = server(map_)
    beats = [
        read_bank(map_, image.tables)["heartbeat"]
        for now_ms, speaks in ((0, True), (1_000, True), (2_000, False), (3_000, False))
        for image in bank.due(now_ms, view_of(), speaks)
        if isinstance(image, Image) and image.tables
    ]
    assert beats == [1, 2, 2, 2]


def test_while_another_board_speaks_nothing_is_shown(map_: RegisterMap) -> None:
    """Reads get an exception, so that a charger does not take two boards for one."""
    assert server(map_).due(0, view_of(role="follower"), False) == (Image(3, None),)


def test_a_change_of_limits_is_shown_at_once(map_: RegisterMap) -> None:
    """Between two beats an image follows only if a limit has changed."""
    bank = server(map_)
    assert len(bank.due(0, view_of(), True)) == 1
    assert bank.due(20, view_of(soc_permille=5), True) == ()
    fallen = view_of(charge_current_limit_ma=1_000)
    assert len(bank.due(40, fallen, True)) == 1
    assert bank.due(60, fallen, True) == ()
    assert len(bank.due(1_000, fallen, True)) == 1


def test_an_image_is_renewed_more_often_than_the_heart_beats(tmp_path: Path) -> None:
    """A map with a slow heartbeat is renewed every second all the same, or a server would drop it."""
    slow = map_in(tmp_path, MAP.replace("every_ms = 1000", "every_ms = 20000"))
    bank = server(slow)
    beats = [
        read_bank(slow, image.tables)["heartbeat"]
        for now_ms in range(0, 10_001, 20)
        for image in bank.due(now_ms, view_of(), True)
        if isinstance(image, Image) and image.tables
    ]
    assert beats == [1] * 5 + [2] * 5 + [3]


CUT_OFF = [
    ("charge_current_limit_ma", {}, 700_000, 0xFFFF),  # 65.535 A instead of 700 A
    ("charge_current_limit_ma", {"scale": -1.0, "type": "i16"}, 70_000, -0x8000),
    ("discharge_voltage_limit_mv", {"offset": 40_000.0}, 30_000, 0),  # 40 V instead of 30 V
    ("charge_voltage_limit_mv", {"no_data": [0xFFFF, 0xFFFE]}, 90_000, 0xFFFD),
]


@pytest.mark.parametrize(("field", "keys", "value", "number"), CUT_OFF)
def test_what_does_not_fit_is_cut_off(
    field: str, keys: dict[str, object], value: int, number: int
) -> None:
    """Where the nearest number that fits asks for less, it is said, but never "no data"."""
    row = Row(field=field, address=0, **keys)  # type: ignore[arg-type]  # by name
    assert spelled(row, Layout(row.type), value) == number


def test_what_cannot_be_said_safely_is_not_said(tmp_path: Path) -> None:
    """A register too small for a lower bound shows nothing at all: reads get an exception."""
    row = '{ field = "discharge_voltage_limit_mv", address = 0, unit = "V" }'
    text = f'kind = "registers"\nof = "bank"\n[[groups]]\nname = "all"\nrows = [{row}]\n'
    map_ = map_in(tmp_path, text)
    bank = server(map_)
    assert bank.due(0, view_of(discharge_voltage_limit_mv=65_536_000), True) == (Image(3, None),)
    assert bank.counts.trouble is not None
    assert "does not fit into u16" in bank.counts.trouble


def words(*written: int, at: int) -> Written:
    return Written(3, tuple(enumerate(written, at)))


def asked(found: object) -> list[tuple[object, ...]]:
    """Requests as their fields."""
    assert isinstance(found, list | tuple)
    return [(one.kind, one.value, one.lasts_ms, one.field, one.source) for one in found]


def test_writes_are_requests(map_: RegisterMap) -> None:
    """A number asks for a cap, "no data" clears it; 1 and 0 stop and clear; a command is one."""
    bank = server(map_)
    source = "modbus 3"
    cap = bank.received(words(0, 755, at=100), 0)
    assert asked(cap) == [("cap_charge_current", 75_500, 60_000, None, source)]
    assert asked(bank.received(words(0xFFFF, 0xFFFF, at=100), 0)) == [
        ("clear", None, None, "cap_charge_current", source)
    ]
    assert asked(bank.received(words(1, at=102), 0)) == [
        ("stop_discharge", None, None, None, source)
    ]
    assert asked(bank.received(words(0, 1, at=102), 0)) == [
        ("clear", None, None, "stop_discharge", source),
        ("start_bulk", None, None, None, source),
    ]


def test_every_request_is_one_the_bank_takes(map_: RegisterMap) -> None:
    """What comes of writing is never refused for its shape."""
    bank = server(map_)
    for item in (words(0, 755, at=100), words(0xFFFF, 0xFFFF, at=100), words(1, 1, at=102)):
        for request in bank.received(item, 0):
            assert isinstance(request, Request)
            assert check_request(request, ["oak"]) is None


@pytest.mark.parametrize(
    ("item", "words_"),
    [
        (words(755, at=101), "only half of cap_charge_current at 100 was written"),
        (words(7, at=102), "stop_discharge: 7 means nothing"),
    ],
)
def test_writes_without_a_meaning_are_counted(
    map_: RegisterMap, item: Written, words_: str
) -> None:
    """Half a number, or one that the map does not list: nothing is asked."""
    bank = server(map_)
    assert bank.received(item, 0) == []
    assert (bank.counts.refused, bank.counts.trouble) == (1, words_)


def test_others_writes_are_left_alone(map_: RegisterMap) -> None:
    """Another device's, other registers, silence: nothing."""
    bank = server(map_)
    for item in (Written(4, ((102, 1),)), words(1, at=5), Idle()):
        assert bank.received(item, 0) == ()
    assert bank.counts.refused == 0


def test_writable_registers_show_what_was_written(map_: RegisterMap) -> None:
    """They can be read back; where nothing may be written there are none."""
    bank = server(map_)
    bank.received(words(1, at=102), 0)
    (image,) = bank.due(0, view_of(), True)
    assert isinstance(image, Image)
    assert image.tables is not None
    assert image.tables[3][102] == 1
    assert image.writable == {100, 101, 102, 103}
    (closed,) = server(map_, writable=False).due(0, view_of(), True)
    assert isinstance(closed, Image)
    assert closed.writable == frozenset()
