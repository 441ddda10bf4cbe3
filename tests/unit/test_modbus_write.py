"""The bank written into a charger's registers by a map: what is written when, and the last words."""

from pathlib import Path

import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from adapters.modbus import BankWriter, RegisterMap, WriteSettings, load_map, read_bank
from adapters.registers import Answer, Ask
from aggregator import SystemView
from tests.registers import map_in, view_of
from tests.unit.test_modbus_bank import MAP


@pytest.fixture
def map_(tmp_path: Path) -> RegisterMap:
    return map_in(tmp_path, MAP.replace("function = 4", "function = 3"))


@pytest.fixture(scope="module")
def map_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same, as a file that examples share."""
    path = tmp_path_factory.mktemp("map") / "map.toml"
    path.write_text(MAP.replace("function = 4", "function = 3"), encoding="utf-8")
    return path


def narrow(map_: RegisterMap) -> RegisterMap:
    """The map with each limit in one register: 10 and 12 to 16."""
    rows = map_.groups[0].rows
    rows[1] = evolve(rows[1], type="u16", address=12)
    return map_


class Charger:
    """A device into whose registers a writer writes."""

    def __init__(self, map_: RegisterMap, **settings: object) -> None:
        self.writer = BankWriter(map_, WriteSettings(map="", device=9, **settings))  # type: ignore[arg-type]
        self.map = map_
        self.holds: dict[int, int] = {}
        self.asks: list[Ask] = []

    def runs(self, start_ms: int, ms: int, view: SystemView, may_speak: bool = True) -> None:
        for now_ms in range(start_ms, start_ms + ms, 20):
            for ask in self.writer.due(now_ms, view, may_speak):
                self.takes(ask)
                assert isinstance(ask, Ask)
                self.writer.received(Answer(ask, ask.words), now_ms)

    def takes(self, ask: object) -> None:
        assert isinstance(ask, Ask)
        self.asks.append(ask)
        self.holds.update(enumerate(ask.words, ask.address))

    def said(self) -> dict[str, object]:
        return read_bank(self.map, {3: self.holds})


def test_what_is_written(map_: RegisterMap) -> None:
    """Every run of registers without a hole is one write, each group in its own period."""
    charger = Charger(map_)
    charger.runs(0, 5_000, view_of())
    spans = [(ask.device, ask.function, ask.address, ask.count) for ask in charger.asks]
    assert spans.count((9, 16, 10, 7)) == 5
    assert spans.count((9, 16, 0, 5)) == spans.count((9, 16, 6, 1)) == 1
    assert len(spans) == 7
    assert charger.said()["charge_current_limit_ma"] == 150_000


def test_devices_that_take_single_registers(map_: RegisterMap) -> None:
    """Function 6 for each register by itself; not for a limit in two of them: between the two writes
    the device would hold half of the old and half of the new one."""
    with pytest.raises(ValueError, match=r"limits of one register each: .* discharge_voltage"):
        Charger(map_, one_by_one=True)
    charger = Charger(narrow(map_), one_by_one=True)
    charger.runs(0, 1_000, view_of())
    assert {(ask.function, ask.count) for ask in charger.asks} == {(6, 1)}
    assert {ask.address for ask in charger.asks} == {10, *range(12, 17), *range(5), 6}


def test_no_limit_is_written_in_halves(tmp_path: Path) -> None:
    """Where a write is full, the next one begins between two numbers: with 65 and 66 A in mA, the
    high word of the one and the low word of the other are 131 A."""
    rows = [
        '{ field = "charge_voltage_limit_mv", address = 0 }',
        '{ field = "charge_current_limit_ma", address = 1, type = "u32" }',
    ]
    text = MAP.split("[[groups]]")[0].replace('"bank"', '"bank"\nlargest_block = 2')
    text += f'[[groups]]\nname = "limits"\nrows = [{", ".join(rows)}]'
    charger = Charger(map_in(tmp_path, text))
    charger.runs(0, 500, view_of(charge_current_limit_ma=65_000))
    for now_ms in range(500, 600, 20):
        charger.runs(now_ms, 20, view_of(charge_current_limit_ma=66_000))
        said = charger.said()["charge_current_limit_ma"]
        assert isinstance(said, int)
        assert said <= 66_000
    assert {(ask.address, ask.count) for ask in charger.asks} == {(0, 1), (1, 2)}


def test_nothing_is_written_without_permission(map_: RegisterMap) -> None:
    """Not one register, and no last words."""
    charger = Charger(map_)
    charger.runs(0, 3_000, view_of(), may_speak=False)
    assert charger.asks == []
    assert charger.writer.closing(3_000, False) == ()


def test_a_fallen_limit_is_written_at_once(map_: RegisterMap) -> None:
    """The limits do not wait for their period, and nothing old is written in between."""
    charger = Charger(map_)
    charger.runs(0, 500, view_of())
    charger.runs(500, 40, view_of(charge_current_limit_ma=20_000))
    assert charger.said()["charge_current_limit_ma"] == 20_000


def test_limits_that_change_all_the_time_are_all_written(map_: RegisterMap) -> None:
    """One that changes at every write does not keep those behind it back."""
    charger = Charger(narrow(map_), one_by_one=True)
    for turn in range(12):
        charger.runs(20 * turn, 20, view_of(charge_current_limit_ma=1_000 * turn))
    assert {ask.address for ask in charger.asks[:6]} == {10, *range(12, 17)}
    assert {ask.address for ask in charger.asks[6:]} == {10, *range(12, 17)}


@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.booleans(), st.booleans(), st.integers(0, 1_500)),
        min_size=1,
        max_size=40,
    )
)
def test_whoever_presses_has_a_limit_to_write(
    map_file: Path, turns: list[tuple[int, bool, bool, int]]
) -> None:
    """Whatever changes and whatever fails: it presses only for limits, ends when they are written or
    the device takes nothing, and what was written last with success is the limit of the moment."""
    charger = Charger(load_map(map_file))
    writer, now_ms = charger.writer, 0
    limits = set(range(10, 17))
    for limit, may_speak, taken, wait_ms in turns:
        now_ms += wait_ms
        view = view_of(charge_current_limit_ma=limit * 40_000)
        for _ in range(8):
            if not writer.presses(now_ms, view, may_speak):
                break
            assert may_speak
            (ask,) = writer.due(now_ms, view, may_speak)
            assert isinstance(ask, Ask)
            assert set(range(ask.address, ask.address + ask.count)) <= limits
            assert not writer.presses(now_ms, view, may_speak)  # one at a time
            if taken:
                charger.takes(ask)
            answer = Answer(ask, ask.words) if taken else Answer(ask, None, "no answer")
            writer.received(answer, now_ms)
        else:
            raise AssertionError("it presses for ever")
        if may_speak and taken and writer._failures == 0 and writer.counts.refused == 0:
            assert charger.said()["charge_current_limit_ma"] == limit * 40_000


def test_the_last_words_take_the_currents_back(map_: RegisterMap) -> None:
    """Before a stop on purpose both currents are written as 0 and not allowed."""
    charger = Charger(map_)
    charger.runs(0, 500, view_of())
    for ask in charger.writer.closing(500, True):
        charger.takes(ask)
    said = charger.said()
    assert (said["charge_current_limit_ma"], said["charge_allowed"]) == (0, False)
    assert (said["discharge_current_limit_ma"], said["discharge_allowed"]) == (0, False)


def test_a_refused_write_is_counted(map_: RegisterMap) -> None:
    """And tried again in the next period."""
    charger = Charger(map_)
    (ask,) = charger.writer.due(0, view_of(), True)
    assert isinstance(ask, Ask)
    charger.writer.received(Answer(ask, None, "illegal address"), 10)
    assert charger.writer.counts.trouble == "illegal address"
    assert charger.writer.due(20, view_of(), True) == ()
    assert len(charger.writer.due(1_000, view_of(), True)) == 1


def test_a_fallen_limit_that_was_not_taken_is_written_again_soon(tmp_path: Path) -> None:
    """Within a second, however seldom its group is written: until then the old one holds."""
    text = MAP.replace("function = 4", "function = 3").replace(
        "every_ms = 1000", "every_ms = 60000"
    )
    assert "every_ms = 60000" in text
    charger = Charger(map_in(tmp_path, text))
    charger.runs(0, 500, view_of())
    fallen = view_of(charge_current_limit_ma=20_000)
    (ask,) = charger.writer.due(500, fallen, True)
    assert isinstance(ask, Ask)
    charger.writer.received(Answer(ask, None, "no answer"), 700)
    charger.runs(700, 1_000, fallen)
    assert charger.said()["charge_current_limit_ma"] == 20_000


def test_input_registers_cannot_be_written(tmp_path: Path) -> None:
    """A map that puts something into them is refused at once."""
    with pytest.raises(ValueError, match="function = 3 in every group"):
        BankWriter(map_in(tmp_path, MAP), WriteSettings(map=""))
