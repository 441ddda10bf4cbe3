"""JSON lines: what is taken, what is refused and in which words, what is said and when."""

import json

import pytest

from adapters.jsonlines.lines_in import LinesIn
from adapters.jsonlines.lines_out import LinesOut
from adapters.jsonlines.opposite import PackLines, ViewReader, report_line
from adapters.jsonlines.settings import HearsJsonLines, SaysJsonLines
from adapters.jsonlines.writer import ALL_FIELDS, OBEYED
from aggregator import Aggregator, BankSettings, BusReport, PackReport, PackSettings, Request
from aggregator.report import REPORT_INTS

FULL = PackReport(
    "oak",
    7,
    age_ms=20,
    voltage_mv=53_120,
    current_ma=-32_000,
    cell_min_mv=3_310,
    cell_max_mv=3_330,
    cell_min_no=3,
    cell_max_no=12,
    cell_count=16,
    cells_mv=[3_310 + number for number in range(16)],
    temperature_min_decic=-15,
    temperature_max_decic=231,
    temperatures_decic=[-15, 231],
    soc_permille=811,
    soh_permille=990,
    capacity_mah=300_000,
    charge_allowed=True,
    discharge_allowed=False,
    charge_path_closed=True,
    discharge_path_closed=False,
    charge_voltage_limit_mv=56_800,
    discharge_voltage_limit_mv=44_800,
    charge_current_limit_ma=100_000,
    discharge_current_limit_ma=120_000,
    balancing=True,
    warnings=["cell_imbalance"],
    protections=["other", "short_circuit"],
)


def fields(record: object) -> dict[str, object]:
    """Every field of a record; lists copied."""
    names = type(record).__slots__  # type: ignore[attr-defined]  # all records have them
    values = {name: getattr(record, name) for name in names}
    return {name: list(one) if isinstance(one, list) else one for name, one in values.items()}


def heard(talker: LinesIn, *chunks: bytes) -> list[dict[str, object]]:
    """What a talker makes of chunks."""
    return [fields(record) for chunk in chunks for record in talker.received(chunk, 0)]


def answer(line: bytes) -> str:
    """The answer to one line that is refused."""
    talker = LinesIn()
    assert talker.received(line + b"\n", 0) == []
    assert talker.counts.refused == 1
    told = json.loads(talker.due(0, view(), False)[0])
    assert told["ok"] is False
    assert talker.due(0, view(), False) == []
    return str(told["error"])


def view(**changes: object):  # type: ignore[no-untyped-def]  # a view, for each test to change
    """A view of a bank."""
    bank = Aggregator(BankSettings(packs=[PackSettings("oak"), PackSettings("fir")]))
    shown = bank.step(0)
    for name, value in changes.items():
        setattr(shown, name, value)
    return shown


def test_every_field_of_a_report_comes_through() -> None:
    """What a pack writes is what is heard, field by field."""
    assert None not in fields(FULL).values()
    assert heard(LinesIn(), report_line(FULL)) == [fields(FULL)]


def test_a_pack_writes_each_sample_once() -> None:
    """The other side: a pack's line goes out once for each new reading."""
    pack = PackLines()
    assert pack.due(FULL) == [report_line(FULL)]
    assert pack.due(FULL) == []


def test_a_line_in_pieces_is_one_line() -> None:
    """Where chunks break does not matter."""
    line = report_line(FULL)
    for cut in range(len(line) + 1):
        assert heard(LinesIn(), line[:cut], line[cut:]) == [fields(FULL)]
    single = [line[at : at + 1] for at in range(len(line))]
    assert heard(LinesIn(), *single) == [fields(FULL)]


def test_several_lines_in_a_chunk_are_several_records() -> None:
    """Each line of a chunk is a record of its own, whatever comes between."""
    chunk = (
        b'{"pack":"oak","sample":1,"cells_mv":[3300,3301]}\r\n\n# a log line\n'
        b'{"ok":false,"error":"somebody else was refused"}\n{"view":{}}\n'
        b'  { "pack" : "fir" , "sample" : 2 , "cells_mv" : [ 3400 ] }\n'
        b'{"op":"bus","t":1073741823,"sample":3,"current_ma":-32000000}\n'
        b'{"op":"bus","sample":4}\n'
        b'{"op":"request","kind":"cap_charge_current","value":75000,"source":"phone"}\n'
        b'{"op":"request","kind":"clear","field":"stop_charge"}\n'
    )
    talker = LinesIn()
    records = talker.received(chunk, 0)
    assert talker.counts.refused == 0
    oak, fir, one, two, cap, clear = records
    assert isinstance(oak, PackReport)
    assert isinstance(fir, PackReport)
    assert (oak.pack, oak.cells_mv, fir.pack, fir.cells_mv) == ("oak", [3300, 3301], "fir", [3400])
    assert isinstance(one, BusReport)
    assert isinstance(two, BusReport)
    assert (one.sample, one.current_ma, two.sample, two.current_ma) == (3, -32_000_000, 4, None)
    assert isinstance(cap, Request)
    assert isinstance(clear, Request)
    assert fields(cap) == fields(Request("cap_charge_current", value=75_000, source="phone"))
    assert fields(clear) == fields(Request("clear", field="stop_charge"))


def test_nothing_of_a_line_stays_in_the_next() -> None:
    """What a line does not say is unknown, whatever the one before said."""
    talker = LinesIn()
    heard(talker, report_line(FULL))
    assert heard(talker, b'{"pack":"oak","sample":8}\n') == [fields(PackReport("oak", 8))]


def test_lines_without_a_sample_are_counted_for_each_pack() -> None:
    """Who sends no sample is taken to send a new reading each time."""
    talker = LinesIn()
    chunk = b'{"pack":"oak"}\n{"pack":"fir","sample":900}\n{"pack":"oak"}\n{"pack":"fir"}\n'
    assert [one["sample"] for one in heard(talker, chunk)] == [1, 900, 2, 901]
    assert [one["sample"] for one in heard(talker, b'{"op":"bus"}\n{"op":"bus"}\n')] == [1, 2]


REFUSED = [
    (b"[]", "expected an object with named fields"),
    (b'{"pack":"oak"} x', "expected nothing after the object"),
    (b'{"pack":"oak"', "expected the whole object on one line"),
    (b'{"pack":"oak",}', "expected a name in quotes"),
    (b'{"pack" "oak"}', "pack: expected a colon"),
    (b'{"volts":53}', "volts: expected a known field"),
    (b'{"pack":"oak","kind":"clear"}', "kind: expected a field of a report"),
    (b'{"op":"bus","pack":"oak"}', "pack: expected a field of a bus"),
    (b'{"pack":"oak","pack":"oak"}', "pack: given twice"),
    (b'{"pack":"Oak!"}', "pack: expected the name of a pack or null"),
    (b'{"op":"report"}', "pack: expected the name of a pack, got null"),
    (b'{"voltage_mv":53000}', "op: expected report, bus or request, or the name of a pack"),
    (b'{"op":"reset"}', "op: expected report, bus or request or null"),
    (b'{"pack":"oak","soc_permille":1200}', "soc_permille: expected 0..1000 or null, got 1200"),
    (b'{"pack":"oak","voltage_mv":53.1}', "voltage_mv: expected a whole number or null"),
    (b'{"pack":"oak","voltage_mv":1e3}', "voltage_mv: expected a whole number or null"),
    (b'{"pack":"oak","voltage_mv":053}', "voltage_mv: expected a whole number or null"),
    (b'{"pack":"oak","voltage_mv":-}', "voltage_mv: expected a whole number or null"),
    (b'{"pack":"oak","voltage_mv":"53"}', "voltage_mv: expected a whole number or null"),
    (b'{"pack":"oak","voltage_mv":true}', "voltage_mv: expected a whole number or null"),
    (b'{"pack":"oak","voltage_mv":1073741824}', "voltage_mv: expected a smaller number"),
    (b'{"pack":"oak","charge_allowed":1}', "charge_allowed: expected true, false or null"),
    (b'{"pack":"oak","charge_allowed":tru}', "charge_allowed: expected true, false or null"),
    (b'{"pack":"oak","cells_mv":[3300,]}', "cells_mv: expected a list of whole numbers or null"),
    (b'{"pack":"oak","cells_mv":[[3300]]}', "cells_mv: expected a list of whole numbers or null"),
    (b'{"pack":"oak","cells_mv":{"a":1}}', "cells_mv: expected a list of whole numbers or null"),
    (
        b'{"pack":"oak","cells_mv":[' + b"1," * 40 + b"1]}",
        "cells_mv: expected a shorter list",
    ),
    (
        b'{"pack":"oak","warnings":["hot"]}',
        "warnings: expected a list of names from the alarm table or null",
    ),
    (b'{"op":"request","kind":"dance"}', "kind: expected a kind of request or null"),
    (b'{"pack":"\\u006fak"}', "expected texts of plain ASCII without escapes"),
    (b'{"pack":"\xff\xfe"}', "expected texts of plain ASCII without escapes"),
    (b'{"pack":"' + b"a" * 50 + b'"}', "expected shorter texts"),
    (b'{"pack":"' + b"[" * 3_000, "expected at most 2048 bytes in a line"),
]


@pytest.mark.parametrize(("line", "error"), REFUSED)
def test_what_is_refused_is_said_in_one_line(line: bytes, error: str) -> None:
    """A line that is no message is refused whole, counted and named; the next one is taken."""
    assert answer(line) == error
    talker = LinesIn()
    for cut in (0, len(line) // 2):
        talker.received(line[:cut], 0)
        assert heard(talker, line[cut:] + b"\n" + report_line(FULL)) == [fields(FULL)]
    assert talker.counts.refused == 2


def test_answers_are_few_and_may_be_off() -> None:
    """A flood of bad lines makes a handful of answers, and none at all where none is wanted."""
    talker = LinesIn()
    talker.received(b"bad\n" * 1_000, 0)
    assert talker.counts.refused == 1_000
    assert len(talker.due(0, view(), False)) == 8
    assert talker.counts.dropped == 992
    silent = LinesIn(answers=False)
    silent.received(b"bad\n", 0)
    assert silent.due(0, view(), False) == []


def test_two_talkers_do_not_answer_each_other_for_ever() -> None:
    """An answer to a bad line is no bad line."""
    one, other = LinesIn(), LinesIn()
    one.received(b"bad\n", 0)
    for line in one.due(0, view(), False):
        other.received(line, 0)
    assert other.counts.refused == 0


def test_a_new_connection_forgets_half_a_line() -> None:
    """Two halves of different connections are not one line."""
    talker = LinesIn()
    talker.received(report_line(FULL)[:50], 0)
    talker.opened(0)
    assert heard(talker, report_line(FULL)) == [fields(FULL)]
    assert talker.counts.refused == 0


def test_a_view_comes_at_its_period_and_at_once_when_it_counts() -> None:
    """A line each second; at once when a limit, a permission or the right to speak changes."""
    talker = LinesOut(period_ms=1_000)
    talker.opened(0)
    shown = view(charge_current_limit_ma=5_000)
    said = [now_ms for now_ms in range(0, 2_500, 100) if talker.due(now_ms, shown, True)]
    assert said == [0, 1_000, 2_000]
    assert talker.due(2_600, view(charge_current_limit_ma=4_000), True)
    assert not talker.due(2_700, view(charge_current_limit_ma=4_000, stage_elapsed_ms=9), True)
    assert talker.due(2_800, view(charge_current_limit_ma=4_000), False)
    quiet = LinesOut(period_ms=1_000, on_change=False)
    assert quiet.due(0, shown, True)
    assert not quiet.due(500, view(charge_current_limit_ma=1), True)


def test_a_line_holds_all_fields_or_those_chosen() -> None:
    """The whole view by default; a choice if wanted; `may_speak` always."""
    reader = ViewReader()
    whole = LinesOut().due(0, view(), True)[0]
    part = LinesOut(["voltage_mv", "stage"]).due(0, view(), True)[0]
    first, second = reader.views(whole[:20]) + reader.views(whole[20:] + part)
    assert set(first) == set(ALL_FIELDS)
    assert second == {"voltage_mv": None, "stage": "paused", "may_speak": True}


def test_nothing_to_obey_without_the_right_to_speak() -> None:
    """While another board speaks, limits and permissions are null and `may_speak` is false."""
    shown = view(charge_current_limit_ma=5_000, charge_allowed=True)
    (told,) = ViewReader().views(LinesOut().due(0, shown, False)[0])
    assert told["may_speak"] is False
    assert [told[name] for name in OBEYED] == [None] * len(OBEYED)


def test_settings_make_talkers_and_name_what_is_wrong() -> None:
    """Settings out of range are refused; others arrive in the talker."""
    talker = HearsJsonLines(longest_line=200).talker()
    talker.received(b" " * 201 + b"\n", 0)
    assert talker.counts.trouble == "expected at most 200 bytes in a line"
    assert SaysJsonLines(fields=["stage"]).talker().due(0, view(), True)
    with pytest.raises(ValueError, match=r"128\.\.65536 bytes"):
        HearsJsonLines(longest_line=5)
    with pytest.raises(ValueError, match="names of the view's fields"):
        SaysJsonLines(fields=["volts"])
    with pytest.raises(ValueError, match=r"50\.\.3600000 ms"):
        SaysJsonLines(period_ms=1)


def test_numbers_of_the_core_fit() -> None:
    """Every number that a report may hold is below 2^30, as the scanner has it."""
    assert max(high for _, _, high in REPORT_INTS) < 2**30
