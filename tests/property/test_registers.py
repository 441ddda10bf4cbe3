"""Whatever the bank shows: no register says more. Whatever is on the bus: nothing raises."""

from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from adapters.meaning import Meaning, rounded
from adapters.modbus import (
    BankServer,
    PackPoller,
    PollSettings,
    RegisterMap,
    ServeSettings,
    explain,
    pack_tables,
    read_bank,
)
from adapters.modbus.bank import Speller
from adapters.modbus.checks import complaints_of
from adapters.modbus.maps import Group, Row
from adapters.modbus.spell import Unsayable, number_in, spelled, told
from adapters.registers import TYPES, Answer, Ask, Image, Layout, Written
from aggregator import PackReport, SystemView
from aggregator.report import check_report
from aggregator.requests import check_request
from tests.registers import map_in, view_of, views
from tests.strategies import content, departures
from tests.unit.test_modbus_bank import MAP as BANK_MAP
from tests.unit.test_modbus_packs import MAP as PACK_MAP

with TemporaryDirectory() as _folder:
    BANK = map_in(Path(_folder), BANK_MAP)
    PACK = map_in(Path(_folder), PACK_MAP)

CURRENTS = {"charge": "charge_current_limit_ma", "discharge": "discharge_current_limit_ma"}
UNITS = {"mv": ["V", "mV", None], "ma": ["A", "mA", None]}
scales = st.sampled_from([0.001, 0.01, 0.05, 0.1, 0.125, 1.0, 3.0, 10.0, -0.1, -1.0])
words = st.integers(0, 0xFFFF)


@st.composite
def limit_rows(draw: st.DrawFn) -> Row:
    """A row for some limit, as an owner may write it."""
    field = draw(
        st.sampled_from(
            ["charge_voltage_limit_mv", "discharge_voltage_limit_mv", *CURRENTS.values()]
        )
    )
    return Row(
        field=field,
        address=draw(st.integers(0, 3)),
        type=draw(st.sampled_from(sorted(TYPES))),
        unit=draw(st.sampled_from(UNITS[field[-2:]])),
        scale=draw(scales),
        offset=draw(st.sampled_from([0.0, -3.0, 0.7])),
        no_data=draw(st.lists(st.sampled_from([0.0, 1.0, 65_535.0, 500.0]), max_size=2)),
    )


@example(row=Row(field="charge_current_limit_ma", address=0, type="f32", no_data=[0.0]), value=0)
@given(row=limit_rows(), value=st.integers(0, 900_000))
def test_no_row_says_more_than_a_limit(row: Row, value: int) -> None:
    """Any type, unit, scale, sign and offset: what is read back is the limit or asks for less, or
    it cannot be said at all; it is never "no data"."""
    layout = Layout(row.type)
    try:
        number = layout.number(layout.words(spelled(row, layout, value)))
    except Unsayable:
        return
    factor, shift = row.factors()
    exactly = Fraction(number) * factor + shift
    assert exactly >= value if row.field.startswith("discharge_voltage") else exactly <= value
    assert number not in row.no_data
    assert number == number_in(layout, spelled(row, layout, value))


@given(view=views(), may_speak=st.booleans())
def test_no_served_view_says_more(view: SystemView, may_speak: bool) -> None:
    """A whole view: limits are met, and a limit of 0 and "not allowed" always go together."""
    server = BankServer(BANK, ServeSettings(map=""))
    (image,) = server.due(0, view, may_speak)
    assert isinstance(image, Image)
    assert image.tables is not None
    said = read_bank(BANK, image.tables)
    for name, limit in CURRENTS.items():
        shown = said[limit]
        assert isinstance(shown, int)
        assert 0 <= shown <= (getattr(view, limit) if may_speak else 0)
        assert said[f"{name}_allowed"] is (shown > 0)
        assert not (said[f"{name}_allowed"] and not getattr(view, f"{name}_allowed"))
    assert said["charge_voltage_limit_mv"] <= view.charge_voltage_limit_mv  # type: ignore[operator]
    assert said["discharge_voltage_limit_mv"] >= view.discharge_voltage_limit_mv  # type: ignore[operator]
    if view.soc_permille is not None and said["soc_permille"] is not None:
        assert said["soc_permille"] <= view.soc_permille  # type: ignore[operator]


@given(rows=st.lists(limit_rows(), min_size=1, max_size=3), view=views())
def test_maps_that_are_taken_can_be_spelled(rows: list[Row], view: SystemView) -> None:
    """A map without a complaint spells any view into words, or says that it cannot."""
    map_ = RegisterMap(of="bank", groups=[Group(name="all", rows=rows)])
    if complaints_of(map_):
        return
    try:
        said = Speller(map_).says(view, False, 0)
    except Unsayable:
        return
    assert all(0 <= word <= 0xFFFF for word in said["all"].values())


@given(changes=departures, beat=words)
def test_what_a_pack_says_comes_back(changes: dict[str, object], beat: int) -> None:
    """A report through registers and back is the report, as far as the map carries it."""
    fields = {name: value for name, value in content(changes).items() if value is not None}
    known = {
        name: fields[name]
        for name in ("voltage_mv", "current_ma", "soc_permille", "charge_allowed",
                     "discharge_allowed", "charge_current_limit_ma")
        if name in fields
    }  # fmt: skip
    usual = {"voltage_mv": 50_000, "current_ma": 0, "cells_mv": (3_300,) * 16, "protections": (),
             "charge_current_limit_ma": 5_000, "charge_allowed": False,
             "discharge_allowed": False}  # fmt: skip
    said = usual | known
    tables = pack_tables(PACK, PackReport("oak", 1, **said), beat)  # type: ignore[arg-type]
    found = reports_of(tables)
    assert len(found) == 1
    for name, value in said.items():
        back = getattr(found[0], name)
        if name == "voltage_mv":
            assert abs(back - value) <= 5  # type: ignore[operator]
        elif name == "charge_current_limit_ma":
            assert value - 1 <= back <= value  # type: ignore[operator]
        else:
            assert back == value


def reports_of(tables: dict[int, dict[int, int]]) -> list[PackReport]:
    """What a poller makes of registers, cells first."""
    poller = PackPoller(PACK, PollSettings(map="", pack="oak"))
    found: list[PackReport] = []
    for now_ms in range(0, 400, 20):
        for ask in poller.due(now_ms, view_of(), True):
            assert isinstance(ask, Ask)
            table = tables[ask.function]
            words_ = tuple(table[at] for at in range(ask.address, ask.address + ask.count))
            found += poller.received(Answer(ask, words_), now_ms)  # type: ignore[arg-type]
    return found


@given(
    turns=st.lists(
        st.tuples(
            st.integers(0, 0x3FFF_FFFF),
            st.one_of(st.none(), st.lists(words, max_size=70), st.just("right")),
        ),
        max_size=30,
    )
)
def test_any_answers_at_any_time_never_raise(turns: list[tuple[int, object]]) -> None:
    """Random words, wrong lengths, silence, jumping clocks: reports that are possible, or none."""
    poller = PackPoller(PACK, PollSettings(map="", pack="oak"))
    for now_ms, said in turns:
        for ask in poller.due(now_ms, view_of(), False):
            assert isinstance(ask, Ask)
            got = tuple(range(ask.count)) if said == "right" else said and tuple(said)  # type: ignore[var-annotated, arg-type]
            for report in poller.received(Answer(ask, got or None), now_ms):
                assert isinstance(report, PackReport)
                refusal = check_report(report, 16)
                assert refusal is None or refusal.field == "cells_mv"


@given(
    writes=st.lists(
        st.tuples(st.integers(0, 5), st.integers(95, 106), st.lists(words, max_size=8)), max_size=9
    )
)
def test_any_writes_never_raise(writes: list[tuple[int, int, list[int]]]) -> None:
    """Whatever is written, wherever: requests that the bank can take, or none."""
    server = BankServer(BANK, ServeSettings(map="", device=3))
    for device, address, values in writes:
        for request in server.received(Written(device, tuple(enumerate(values, address))), 0):
            assert check_request(request, ["oak"]) is None  # type: ignore[arg-type]


@example(line="0 1 3 0: " + "0" * 60 + " x")
@given(line=st.one_of(st.text(), st.from_regex(r"[0-9.]+ [0-9]+ [1-4] [0-9]+:( [0-9A-F]{1,5})*")))
def test_any_line_is_explained_or_refused(line: str) -> None:
    """A recording's line is read, or refused with its number, never anything else."""
    told = ""
    try:
        explain(PACK, [line])
    except ValueError as error:
        told = str(error)
    assert not told or told.startswith("line 1: expected `seconds")


@given(
    raw=st.one_of(
        st.integers(-(1 << 31), 1 << 32), st.floats(allow_nan=False, allow_infinity=False, width=32)
    ),
    scale=scales,
    unit=st.sampled_from(["A", "mA", None]),
    positive=st.sampled_from(["charge", "discharge"]),
)
def test_the_quick_way_to_a_value_is_the_exact_one(
    raw: float, scale: float, unit: str | None, positive: str
) -> None:
    """Whole numbers over a common divisor give what fractions give."""
    meaning = Meaning(field="current_ma", unit=unit, scale=scale, positive=positive)  # type: ignore[arg-type]
    factor, shift = meaning.factors()
    exactly = rounded(Fraction(repr(raw)) * factor + shift, "current_ma")
    assert meaning.value(raw) == (exactly if abs(exactly) <= 1_000_000 else None)


@pytest.mark.parametrize("name", ["charge_allowed", "partial"])
def test_yes_and_no_come_back(name: str) -> None:
    """A flag by itself, or as one bit, is read as it was meant."""
    for bit in (None, 0, 7):
        row = Row(field=name, address=0, bit=bit)
        for value in (True, False):
            assert told(row, spelled(row, Layout("u16"), value)) is value
