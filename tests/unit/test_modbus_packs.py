"""Asking packs by a register map: what is asked when, and what comes of the answers."""

from pathlib import Path

import pytest

from adapters.modbus import PackPoller, PackServer, PollSettings, RegisterMap, pack_tables
from adapters.registers import Answer, Ask, Image, Layout
from aggregator import PackReport
from aggregator.report import check_report
from tests.registers import map_in, view_of

VIEW = view_of()
MAP = """
kind = "registers"
word_order = "low_first"
largest_block = 60

[[groups]]
name = "now"
function = 4
every_ms = 500
rows = [
    { field = "voltage_mv", address = 0, unit = "V", scale = 0.01 },
    { field = "current_ma", address = 1, type = "i32", unit = "A", scale = 0.001, positive = "discharge" },
    { field = "soc_permille", address = 3, unit = "%", scale = 0.1, no_data = [65535] },
    { field = "charge_allowed", address = 4, bit = 0 },
    { field = "discharge_allowed", address = 4, bit = 1 },
    { field = "protections", address = 5, bits = { 0 = "cell_over_voltage", 9 = "short_circuit" } },
    { field = "charge_current_limit_ma", address = 6, type = "f32", unit = "A" },
]

[[groups]]
name = "cells"
function = 3
every_ms = 2000
keep_ms = 9000
split = true
rows = [
    { field = "cells_mv", address = 100, count = 8 },
    { field = "cells_mv", address = 200, count = 8, number = 9, step = 2 },
]
"""
SAYS: dict[str, object] = {
    "voltage_mv": 53_120,
    "current_ma": -42_500,
    "soc_permille": 873,
    "charge_allowed": True,
    "discharge_allowed": False,
    "protections": ("short_circuit",),
    "charge_current_limit_ma": 99_500,
    "cells_mv": tuple(range(3_300, 3_316)),
}


def report(**fields: object) -> PackReport:
    return PackReport("oak", 1, **(SAYS | fields))  # type: ignore[arg-type]  # by name


class Bench:
    """A pack and the one that asks it, without a bus between them."""

    def __init__(self, map_: RegisterMap, **settings: object) -> None:
        self.map = map_
        self.poller = PackPoller(map_, PollSettings(map="", pack="oak", **settings))  # type: ignore[arg-type]
        self.tables = pack_tables(map_, report())
        self.now_ms = 0
        self.asks: list[tuple[int, Ask]] = []
        self.found: list[PackReport] = []
        self.fails: set[int] = set()  # functions that get no answer

    def says(self, **fields: object) -> None:
        self.tables = pack_tables(self.map, report(**fields))

    def runs(self, ms: int) -> None:
        """Let time pass; answers take 40 ms."""
        end_ms = self.now_ms + ms
        while self.now_ms < end_ms:
            for ask in self.poller.due(self.now_ms, VIEW, True):
                assert isinstance(ask, Ask)
                self.asks.append((self.now_ms, ask))
                table = self.tables[ask.function]
                words = tuple(table[at] for at in range(ask.address, ask.address + ask.count))
                fails = ask.function in self.fails
                answer = Answer(ask, None, "no answer") if fails else Answer(ask, words)
                self.now_ms += 40
                self.take(answer)
            self.now_ms += 20

    def take(self, answer: Answer) -> None:
        for record in self.poller.received(answer, self.now_ms):
            assert isinstance(record, PackReport)
            self.found.append(record)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(map_in(tmp_path, MAP))


def test_what_the_pack_says_is_reported(bench: Bench) -> None:
    """Every number arrives in the core's unit, sign and order, as one whole report."""
    bench.runs(1_000)
    last = bench.found[-1]
    assert {name: getattr(last, name) for name in SAYS} == SAYS
    assert check_report(last, 16) is None
    assert bench.poller.counts.refused == 0


def test_groups_have_their_own_periods(bench: Bench) -> None:
    """In four seconds: the fast group eight times, the slow one (two reads) twice."""
    bench.runs(4_000)
    asked = [ask.address for _, ask in bench.asks]
    assert (asked.count(0), asked.count(100), asked.count(200)) == (8, 2, 2)
    assert len(bench.found) == 8
    assert [one.sample for one in bench.found] == list(range(1, 9))


def test_age_runs_from_the_question(bench: Bench) -> None:
    """A reading is as old as the question to which it came."""
    bench.runs(600)
    assert {one.age_ms for one in bench.found} == {40}


def test_every_part_is_as_old_as_its_question(tmp_path: Path) -> None:
    """The current was read 3 s before the rest came: so old is the report, whichever part came last."""
    text = MAP.replace("keep_ms = 9000\n", "").replace("every_ms = 500", "every_ms = 60000")
    bench = Bench(map_in(tmp_path, text))
    asked: list[int] = []
    for now_ms in (0, 3_000, 3_010):
        bench.now_ms = now_ms
        (ask,) = bench.poller.due(now_ms, VIEW, True)
        assert isinstance(ask, Ask)
        table = bench.tables[ask.function]
        bench.now_ms += 3_000 if not asked else 10
        asked.append(ask.function)
        bench.take(Answer(ask, tuple(table[ask.address + at] for at in range(ask.count))))
    assert asked == [4, 3, 3]
    assert [one.age_ms for one in bench.found] == [3_020]


def test_one_question_at_a_time(bench: Bench) -> None:
    """While an answer is awaited nothing else is asked; one that never comes is given up."""
    (first,) = bench.poller.due(0, VIEW, True)
    assert bench.poller.due(20, VIEW, True) == ()
    assert bench.poller.due(4_900, VIEW, True) == ()
    assert len(bench.poller.due(5_100, VIEW, True)) == 1
    assert bench.poller.counts.refused == 1
    assert isinstance(first, Ask)


@pytest.mark.parametrize(
    "words", [None, (), (1,) * 7, (1,) * 9], ids=["none", "empty", "short", "long"]
)
def test_a_failed_read_hands_nothing_over(bench: Bench, words: tuple[int, ...] | None) -> None:
    """An exception, a time-out, an answer of another length: counted, no report."""
    (ask,) = bench.poller.due(0, VIEW, True)
    assert isinstance(ask, Ask)
    bench.take(Answer(ask, words, "device busy"))
    assert bench.found == []
    assert bench.poller.counts.refused == 1
    assert bench.poller.counts.trouble


def test_half_a_group_is_not_handed_over(bench: Bench) -> None:
    """If the second read of a group fails, the first counts for nothing: its cells stay unknown."""
    bench.poller.due(0, VIEW, True)
    bench.poller.opened(0)
    for _ in range(3):
        (ask,) = bench.poller.due(0, VIEW, True)
        assert isinstance(ask, Ask)
        if ask.address == 200:
            bench.take(Answer(ask, None, "no answer"))
        else:
            table = bench.tables[ask.function]
            words = tuple(table[at] for at in range(ask.address, ask.address + ask.count))
            bench.take(Answer(ask, words))
    assert [one.cells_mv for one in bench.found] == [None]


def test_an_answer_to_another_question_is_left_alone(bench: Bench) -> None:
    """On a shared line every pack's talker sees all answers and takes its own."""
    bench.poller.due(0, VIEW, True)
    bench.take(Answer(Ask(9, 4, 0, 8), (1,) * 8))
    assert bench.found == []
    assert bench.poller.counts.received == 0


def test_a_deaf_pack_is_asked_less_often(bench: Bench) -> None:
    """After three failures in a row it is asked every ten seconds, so that others get their turn;
    when it answers it is asked as before."""
    bench.fails = {3, 4}
    bench.runs(32_000)
    assert len(bench.asks) <= 3 + 3
    bench.fails = set()
    bench.runs(12_000)
    bench.asks.clear()
    bench.runs(2_000)
    assert len(bench.asks) >= 4


def test_slow_values_run_out(bench: Bench) -> None:
    """The cells count for keep_ms after they were read, no longer."""
    bench.runs(1_000)
    bench.fails = {3}
    bench.runs(7_000)
    assert bench.found[-1].cells_mv == SAYS["cells_mv"]
    bench.runs(2_000)
    assert bench.found[-1].cells_mv is None
    assert bench.found[-1].voltage_mv == 53_120


def test_a_counter_that_stands_still_is_no_new_reading(tmp_path: Path) -> None:
    """A pack that counts its readings is reported when it has counted on, and not before."""
    row = '    { field = "heartbeat", address = 8 },\n]'
    bench = Bench(map_in(tmp_path, MAP.replace("]\n\n[[groups]]", row + "\n\n[[groups]]", 1)))
    bench.runs(3_000)
    assert len(bench.found) == 1
    bench.tables = pack_tables(bench.map, report(), beat=7)
    bench.runs(1_000)
    assert len(bench.found) == 2


def test_no_data_is_unknown(bench: Bench) -> None:
    """What the map says stands for "no data" is unknown, and so is a float that is none."""
    bench.says(soc_permille=None)
    bench.tables[4] |= {6: 0x0000, 7: 0x7FC0}
    bench.runs(1_000)
    assert bench.found[-1].soc_permille is None
    assert bench.found[-1].charge_current_limit_ma is None
    assert bench.found[-1].voltage_mv == 53_120


def test_a_pack_can_be_played(bench: Bench) -> None:
    """The other side shows what it is given, and nothing before it is given anything."""
    pack = PackServer(bench.map, device=7)
    assert pack.due(0, VIEW, True) == (Image(7, None),)
    pack.report = report()
    (shown,) = pack.due(10, VIEW, True)
    assert shown == Image(7, bench.tables)
    assert pack.due(20, VIEW, True) == ()
    pack.report = report(capacity_mah=None, voltage_mv=None)
    assert pack.due(30, VIEW, True) == (Image(7, None),)
    assert pack.counts.trouble == "voltage_mv is unknown, and register 0 has no no_data"


ORDERS = [
    ("u32", "high_first", "high_first", 0x0102_0304, (0x0102, 0x0304)),
    ("u32", "low_first", "high_first", 0x0102_0304, (0x0304, 0x0102)),
    ("u32", "high_first", "low_first", 0x0102_0304, (0x0201, 0x0403)),
    ("u32", "low_first", "low_first", 0x0102_0304, (0x0403, 0x0201)),
    ("u16", "low_first", "low_first", 0x0102, (0x0201,)),
    ("i16", "high_first", "high_first", -2, (0xFFFE,)),
    ("i32", "high_first", "high_first", -2, (0xFFFF, 0xFFFE)),
    ("i32", "low_first", "high_first", -0x8000_0000, (0x0000, 0x8000)),
]


@pytest.mark.parametrize(("type_", "word", "byte", "number", "words"), ORDERS)
def test_orders_of_words_and_bytes(
    type_: str, word: str, byte: str, number: int, words: tuple[int, ...]
) -> None:
    """Each order puts each byte where its name says."""
    layout = Layout(type_, word, byte)
    assert layout.words(number) == words
    assert layout.number(words) == number


@pytest.mark.source("IEEE754", "binary32 of 1, -2 and 0.1")
@pytest.mark.parametrize(
    ("words", "number"), [((0x3F80, 0), 1.0), ((0xC000, 0), -2.0), ((0x3DCC, 0xCCCD), 0.1)]
)
def test_floats(words: tuple[int, ...], number: float) -> None:
    """A float is the standard's, to its precision."""
    assert Layout("f32").number(words) == pytest.approx(number, rel=1e-7)


def test_coils_and_discrete_inputs(tmp_path: Path) -> None:
    """Single bits that a board keeps apart from its registers are read like numbers."""
    inputs = """
[[groups]]
name = "switches"
function = 2
rows = [
    { field = "charge_path_closed", address = 3 },
    { field = "discharge_path_closed", address = 4 },
]
"""
    bench = Bench(map_in(tmp_path, MAP + inputs))
    bench.tables = pack_tables(bench.map, report(charge_path_closed=True))
    bench.tables[2][4] = 0
    bench.runs(1_000)
    last = bench.found[-1]
    assert (last.charge_path_closed, last.discharge_path_closed) == (True, False)
