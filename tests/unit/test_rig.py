"""Packs' voices and chargers' ears: what a bus carries of a report, and what a charger is told."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.cli.rig import ears, listened, played
from adapters.cli.rig.file import load_rig
from adapters.cli.rig.running import _looser
from adapters.cli.rig.voices import NOBODY, Players, garbled
from adapters.gateway.kind import Surroundings
from adapters.registers import Answer, Ask, Image, Written
from aggregator import BankSettings, PackReport, PackSettings, SystemView
from tests.day.maps import ASH, ELM, OAK, OAK_DBC
from tests.framed_board import STATE
from tests.registers import view_of

BANK = BankSettings([PackSettings("oak"), PackSettings("fir")])
BANK_MAP = """\
kind = "registers"
of = "bank"
[[groups]]
name = "all"
rows = [
  { field = "charge_voltage_limit_mv", address = 10, unit = "V", scale = 0.1 },
  { field = "discharge_voltage_limit_mv", address = 11, unit = "V", scale = 0.1 },
  { field = "charge_current_limit_ma", address = 12, unit = "A", scale = 0.1 },
  { field = "discharge_current_limit_ma", address = 13, unit = "A", scale = 0.1 },
  { field = "charge_allowed", address = 14, bit = 0 },
  { field = "discharge_allowed", address = 14, bit = 1 },
]
"""
FILES = {"oak.dbc": OAK_DBC, "oak.toml": OAK, "ash.toml": ASH.format(every_ms=250), "elm.toml": ELM,
         "board.toml": STATE, "bank.toml": BANK_MAP}  # fmt: skip
LIMITS = ("charge_voltage_limit_mv", "charge_current_limit_ma", "discharge_current_limit_ma")


@pytest.fixture(scope="module")
def around(tmp_path_factory: pytest.TempPathFactory) -> Surroundings:
    """A folder with all maps."""
    folder = tmp_path_factory.mktemp("maps")
    for name, text in FILES.items():
        (folder / name).write_text(text, encoding="utf-8")
    return Surroundings(folder, BANK)


def dbc(around: Surroundings) -> Players:
    from adapters.can.hears import HearsSettings

    return played.dbc(HearsSettings(map="oak.toml", pack="oak"), around)


def rvc(around: Surroundings) -> Players:
    from adapters.rvc.settings import HearsRvc

    return played.rvc(HearsRvc(pack="oak", instance=10), around)


def registers(around: Surroundings) -> Players:
    from adapters.modbus import PollSettings

    return played.registers(PollSettings(map="ash.toml", pack="oak"), around)


def topics(around: Surroundings) -> Players:
    from adapters.mqtt.topics import TopicSettings

    return played.topics(TopicSettings(map="elm.toml", pack="oak"), around)


def frames(around: Surroundings) -> Players:
    from adapters.framed.talker import HearsFrames

    return played.frames(HearsFrames(map="board.toml", packs={"oak": 1}), around)


def lines(around: Surroundings) -> Players:
    return played.lines(played.PlaysLines(packs=["oak"]), around)


WAYS = (dbc, rvc, registers, topics, frames, lines)
Makes = Callable[[Surroundings], Players]


def said(**fields: Any) -> dict[str, Any]:
    """A report of sixteen healthy cells, differing so."""
    from adapters.cli.rig.file import healthy

    return {"pack": "oak", "sample": 1, **healthy(BANK), **fields}


@pytest.mark.parametrize("way", WAYS)
def test_a_bus_carries_what_its_map_has(way: Makes, around: Surroundings) -> None:
    """Whole amperes and tenths of a volt come through; what has no place on the bus does not."""
    carried = way(around).carried("oak", said(charge_current_limit_ma=42_000))
    assert carried is not None
    assert (carried["pack"], carried["current_ma"]) == ("oak", 10_000)
    assert carried["charge_current_limit_ma"] == 42_000
    assert carried["charge_allowed"] is True
    assert "warnings" not in carried or carried["warnings"] == []


@pytest.mark.parametrize("way", WAYS)
def test_a_refusal_is_carried(way: Makes, around: Surroundings) -> None:
    """So that a story of one can be told on every bus."""
    carried = way(around).carried("oak", said(charge_allowed=False))
    assert carried is not None
    assert carried["charge_allowed"] is False


@settings(max_examples=30, deadline=None)
@given(st.integers(1_000, 200_000), st.integers(48_000, 58_000))
@pytest.mark.parametrize("way", [dbc, registers, topics, lines])
def test_no_limit_is_carried_as_more(
    way: Makes, around: Surroundings, current_ma: int, voltage_mv: int
) -> None:
    """A listener never knows of more than was said, so that bounds are strict enough."""
    fields = {"charge_current_limit_ma": current_ma, "charge_voltage_limit_mv": voltage_mv}
    carried = way(around).carried("oak", said(**fields))
    assert carried is not None
    assert all(carried[name] <= most for name, most in fields.items())


@pytest.mark.parametrize("way", [dbc, topics, lines])
def test_half_a_message_is_no_reading(way: Makes, around: Surroundings) -> None:
    """What noise leaves of a report is refused by a sound listener. (On RV-C what a short frame
    leaves out is unknown.)"""
    players = way(around)
    ear = players.voices["oak"].ear()
    players.says("oak", said(), 0, 1_500)
    whole = players.due(0, NOBODY, True)
    assert whole
    players.garble()
    noise = players.due(1, NOBODY, True)
    assert noise == [garbled(item) for item in whole]
    assert not [record for item in noise for record in ear.received(item, 1)]
    assert [one for item in whole for one in ear.received(item, 2) if isinstance(one, PackReport)]


@pytest.mark.parametrize("way", WAYS)
def test_a_pack_is_silent_once_its_report_is_old(way: Makes, around: Surroundings) -> None:
    """Nothing is said of a report that is out of date; a register's reader gets none of it."""
    players = way(around)
    players.says("oak", said(), 0, 1_500)
    players.due(0, NOBODY, True)
    later = [
        item for now_ms in range(1_500, 9_000, 500) for item in players.due(now_ms, NOBODY, True)
    ]
    assert all(isinstance(item, Image) and item.tables is None for item in later)


# ---- Chargers.


def hears(ear: ears.Ear, talker: Any, view: SystemView, takes: Callable[[Any, int], Any]) -> Any:
    """Let an ear listen to what our own talker says for four seconds; return what it was told."""
    for now_ms in range(0, 4_000, 100):
        for item in talker.due(now_ms, view, True):
            takes(item, now_ms)
        for ask in ear.due(now_ms, view, True):
            takes(ask, now_ms)
    return ear.told(4_000)


def expected(view: SystemView, step_mv: int, step_ma: int) -> dict[str, Any]:
    """What a charger should be told, in a bus's steps, each to its safe side."""
    return {
        "charge_current_limit_ma": view.charge_current_limit_ma // step_ma * step_ma,
        "discharge_current_limit_ma": view.discharge_current_limit_ma // step_ma * step_ma,
        "charge_allowed": True, "discharge_allowed": True,
        "charge_voltage_limit_mv": view.charge_voltage_limit_mv // step_mv * step_mv,
        "discharge_voltage_limit_mv": -(-view.discharge_voltage_limit_mv // step_mv) * step_mv,
    }  # fmt: skip


def asked_of(talker: Any, ear: ears.Ear) -> Callable[[Any, int], None]:
    """Return what brings a server's images and an ear's questions together."""
    shown: list[Image] = []

    def takes(item: Any, now_ms: int) -> None:
        if isinstance(item, Image):
            shown[:] = [item]
        elif isinstance(item, Ask) and shown and shown[0].tables:
            table = shown[0].tables[item.function]
            words = tuple(table[at] for at in range(item.address, item.address + item.count))
            ear.received(Answer(item, words), now_ms)

    return takes


def test_an_ear_reads_a_served_map(around: Surroundings) -> None:
    """Registers that the bridge serves, asked for block by block."""
    from adapters.modbus import BankServer, ServeSettings, load_map

    chosen, view = ServeSettings(map="bank.toml"), view_of()
    talker = BankServer(load_map(around.folder / "bank.toml"), chosen)
    ear = listened.polled(chosen, around)
    assert hears(ear, talker, view, asked_of(talker, ear)) == expected(view, 100, 100)
    assert ear.told(4_000 + ears.LOST_MS) == expected(view, 100, 100) | {
        "charge_current_limit_ma": 0, "discharge_current_limit_ma": 0,
        "charge_allowed": False, "discharge_allowed": False,
    }  # fmt: skip


def test_an_ear_takes_what_is_written(around: Surroundings) -> None:
    """Registers that the bridge writes into the charger."""
    from adapters.modbus import BankWriter, WriteSettings, load_map

    chosen, view = WriteSettings(map="bank.toml"), view_of()
    talker = BankWriter(load_map(around.folder / "bank.toml"), chosen)
    ear = listened.written(chosen, around)

    def takes(item: Any, now_ms: int) -> None:
        if isinstance(item, Ask):
            ear.received(Written(item.device, tuple(enumerate(item.words, item.address))), now_ms)
            talker.received(Answer(item, item.words), now_ms)

    assert hears(ear, talker, view, takes) == expected(view, 100, 100)


def test_an_ear_reads_a_chain_of_models(around: Surroundings) -> None:
    """SunSpec, model by model, however many there are."""
    from adapters.sunspec.talker import SunSpecServer, SunSpecSettings, ratings_of

    bank = BankSettings([PackSettings("oak", capacity_mah=100_000)])
    chosen, view = SunSpecSettings(), view_of()
    talker = SunSpecServer(chosen, ratings_of(chosen, bank))
    ear = listened.sunspec(listened.ListensSunSpec(), around)
    told = hears(ear, talker, view, asked_of(talker, ear))
    assert told is not None
    assert told["charge_allowed"] is True
    assert 0 < told["charge_current_limit_ma"] <= view.charge_current_limit_ma
    assert 0 < told["charge_voltage_limit_mv"] <= view.charge_voltage_limit_mv


def test_an_ear_reads_lines(around: Surroundings) -> None:
    """JSON lines carry every limit as it is."""
    from adapters.jsonlines.settings import SaysJsonLines

    ear, view = listened.lines(listened.ListensLines(), around), view_of()
    assert hears(ear, SaysJsonLines().talker(), view, ear.received) == expected(view, 1, 1)


def test_a_charger_that_was_never_told_anything_says_so(around: Surroundings) -> None:
    """Nothing heard is not the same as told to stop."""
    ear = listened.rvc(listened.ListensRvc(), around)
    assert (ear.told(100), ear.silent_ms(7_000, 0)) == (None, 7_000)


@pytest.mark.parametrize(
    ("name", "one", "other", "looser"),
    [
        ("charge_current_limit_ma", 10, 20, 20),
        ("discharge_voltage_limit_mv", 10, 20, 10),
        ("charge_allowed", False, True, True),
        ("charge_allowed", None, False, False),
    ],
)
def test_of_two_chargers_the_one_that_may_more_counts(
    name: str, one: object, other: object, looser: object
) -> None:
    """What a bridge allows is what it allows anybody."""
    assert {_looser(name, one, other), _looser(name, other, one)} == {looser}


RIG = """\
[[packs]]
pack = "oak"

[[links]]
name = "line"
kind = "serial"
port = "/dev/ttyUSB0"
  [[links.plays]]
  as = "{plays}"
  {settings}
  [[links.listens]]
  as = "json-lines"
"""


@pytest.mark.parametrize(
    ("plays", "chosen"),
    [("json-lines", 'packs = ["oak"]'), ("frames", 'map = "board.toml"\n  packs = { oak = 1 }')],
)
def test_packs_on_a_serial_line_make_a_rig(
    plays: str, chosen: str, around: Surroundings, tmp_path: Path
) -> None:
    """Any link of bytes carries them, and the rig knows what its map can say."""
    rig = around.folder / f"{plays}.toml"
    rig.write_text(RIG.format(plays=plays, settings=chosen), encoding="utf-8")
    plan = load_rig(f"bus:{rig}")
    assert {"charge_allowed", "charge_current_limit_ma", "current_ma"} <= plan.carries
    assert plan.tells == set(ears.FIELDS)
