"""DBC maps: the same numbers as cantools reads, limits never raised, and no frame that breaks anything."""

from fractions import Fraction
from pathlib import Path
from typing import Any

import cantools
import pytest
from attrs import evolve
from hypothesis import given
from hypothesis import strategies as st

from adapters.can.bits import spot
from adapters.can.hears import DbcPack, DbcPackSide, HearsSettings
from adapters.can.map_file import EXTENDED, load_map
from adapters.can.numbers import LIMITS, Number, Scale
from adapters.can.says import DIRECTIONS, DbcBank, DbcChargerSide, SaysSettings
from adapters.meaning import DOWN, UP, Meaning
from aggregator import Aggregator, BankSettings, PackReport, PackSettings, SystemView
from tests.can_map import HEAD, dbc_message, example

STARTS = st.integers(0, 63)
SCALES = st.sampled_from(["1", "0.1", "0.05", "0.25", "0.03125", "2", "-0.5", "100"])
OFFSETS = st.sampled_from(["0", "-100", "-1600", "0.5", "40"])
QUANTITIES = ("voltage_mv", "current_ma", *LIMITS)


@st.composite
def signals(draw: Any) -> str:
    """A signal somewhere in eight bytes, as a DBC writes it; it may not fit."""
    start, length = draw(STARTS), draw(st.integers(1, 64))
    order, sign = draw(st.sampled_from("01")), draw(st.sampled_from("+-"))
    return f'S : {start}|{length}@{order}{sign} ({draw(SCALES)},{draw(OFFSETS)}) [0|0] ""'


@pytest.mark.source("CANTOOLS", "Message.decode and Message.encode without scaling")
@given(signal=signals(), data=st.binary(min_size=8, max_size=8))
def test_numbers_are_those_that_cantools_reads(signal: str, data: bytes) -> None:
    """Every place, order and sign: our shift and mask read what cantools reads, and write it back."""
    dbc = HEAD + dbc_message("M", 1, 8, [signal])
    base: Any = cantools.database.load_string(dbc, "dbc", strict=False)
    (message,) = base.messages
    (one,) = message.signals
    ours = spot(
        one.start, one.length, one.byte_order == "big_endian", one.is_signed, one.is_float, 8
    )
    try:
        base = cantools.database.load_string(dbc, "dbc", strict=True)
    except cantools.database.errors.Error:
        assert ours.shift < 0 or ours.needs > 8  # we refuse what does not fit, too
        return
    raw = message.decode(data, scaling=False)["S"]
    order: Any = "big" if ours.big else "little"
    word = int.from_bytes(data, order)
    assert ours.read(word) == raw
    assert ours.write(word, raw) == word
    assert ours.low <= raw <= ours.high
    blank = ours.write(0, raw).to_bytes(8, order)
    assert message.encode({"S": raw}, scaling=False) == blank


@given(
    raw=st.integers(-(1 << 15), (1 << 15) - 1),
    field=st.sampled_from(QUANTITIES),
    scale=SCALES,
    offset=OFFSETS,
    positive=st.sampled_from(["charge", "discharge"]),
)
def test_values_are_those_of_the_fractions(
    raw: int, field: str, scale: str, offset: str, positive: Any
) -> None:
    """The integers worked out in advance round as exact fractions do."""
    unit = "V" if field.endswith("_mv") else "A"
    meaning = Meaning(field=field, unit=unit, positive=positive if unit == "A" else "charge")
    number = Number(
        spot(0, 16, False, True, False, 8), Scale(Fraction(scale), Fraction(offset)), meaning, 0
    )
    far = 1 << 40
    exactly = (raw * Fraction(scale) + Fraction(offset)) * 1000
    exactly = -exactly if meaning.positive == "discharge" else exactly
    got = number.reader(-far, far)(raw)
    assert isinstance(got, int)
    if field in DOWN:
        assert 0 <= exactly - got < 1
    elif field in UP:
        assert 0 <= got - exactly < 1
    else:
        assert abs(exactly - got) <= Fraction(1, 2)


LENGTHS = st.sampled_from([8, 12, 16, 24, 32])


@given(
    value=st.integers(0, 1_000_000),
    field=st.sampled_from(LIMITS),
    length=LENGTHS,
    scale=SCALES,
    offset=OFFSETS,
    floating=st.booleans(),
    no_data=st.lists(st.integers(0, 300), max_size=3),
)
def test_a_limit_is_never_loosened_on_its_way(
    value: int, field: str, length: int, scale: str, offset: str, floating: bool, no_data: list[int]
) -> None:
    """Whatever the signal: what is read back is not looser than what was said, or nothing is said."""
    length = 32 if floating else length
    meaning = Meaning(field=field, unit="V" if field.endswith("_mv") else "A", no_data=[*no_data])
    number = Number(
        spot(0, length, False, False, floating, 8),
        Scale(Fraction(scale), Fraction(offset)),
        meaning,
        0 if floating else 1,
    )
    raw = number.write(value)
    if raw is None:
        return
    back = number.reader(-(1 << 40), 1 << 40)(raw)
    assert isinstance(back, int)
    assert back >= value if field in UP else back <= value
    step = abs(Fraction(scale)) * 1000 * (1 + len(no_data)) + 1
    factor, shift = number.factors()
    ends = sorted(end * factor + shift for end in number.bounds())
    if not floating and ends[0] <= value <= ends[1]:
        assert abs(back - value) <= step  # and not tighter than the signal's steps make it


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The how-to page's maps."""
    made = tmp_path_factory.mktemp("maps")
    example(made)
    return made


IDS = st.one_of(
    st.sampled_from([768, 784, 800, 816, 0x98FF0600, 0x98FF0700]),
    st.integers(0, (1 << 30) - 1).map(lambda one: one | EXTENDED),
    st.integers(-5, 5),
)
FRAMES = st.lists(st.tuples(IDS, st.binary(max_size=64)), max_size=30)
MAPS: dict[Path, Any] = {}
HEARS = HearsSettings(map="", pack="oak")


@given(frames=FRAMES, j1939=st.booleans(), source=st.sampled_from([None, 0, 0x45]))
def test_any_frame_is_taken_or_refused(
    folder: Path, frames: list[Any], j1939: bool, source: int | None
) -> None:
    """No frame raises, and whatever it brings is a report that the bank takes or refuses."""
    rows = (
        evolve(load_map_once(folder, "weir.toml"), j1939=True) if j1939 else load_map_once(folder)
    )
    settings = evolve(HEARS, source_address=source if j1939 else None)
    one = DbcPack(settings, rows)
    bank = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)]))
    charger = DbcChargerSide(SaysSettings(map=""), rows)
    for now_ms, frame in enumerate(frames):
        for record in one.received(frame, now_ms):
            assert isinstance(record, PackReport)
            assert record.sample is not None
            bank.accept(record, now_ms)
        charger.received(frame)
        bank.step(now_ms)


def load_map_once(folder: Path, name: str = "brook.toml") -> Any:
    """Return a map; loading takes longer than all the frames."""
    path = folder / name
    if path not in MAPS:
        MAPS[path] = load_map(path)
    return MAPS[path]


OR_NONE = st.none()
REPORTS = st.fixed_dictionaries(
    {},
    optional={
        "charge_voltage_limit_mv": OR_NONE | st.integers(0, 150_000),
        "discharge_voltage_limit_mv": OR_NONE | st.integers(0, 150_000),
        "charge_current_limit_ma": OR_NONE | st.integers(0, 1_000_000),
        "discharge_current_limit_ma": OR_NONE | st.integers(0, 1_000_000),
        "voltage_mv": OR_NONE | st.integers(0, 150_000),
        "current_ma": OR_NONE | st.integers(-1_000_000, 1_000_000),
        "soc_permille": OR_NONE | st.integers(0, 1_000),
        "charge_allowed": st.sampled_from([True, False, None]),
        "discharge_allowed": st.sampled_from([True, False, None]),
        "cells_mv": OR_NONE | st.lists(st.integers(0, 5_000), min_size=4, max_size=4),
    },
)


@given(fields=REPORTS)
def test_a_packs_report_never_comes_back_looser(folder: Path, fields: dict[str, Any]) -> None:
    """Through the page's map and back: limits at most as loose, permissions never won, cells the same."""
    rows = load_map_once(folder)
    frames = DbcPackSide(HEARS, rows).frames(PackReport("oak", 1, **fields), 0)
    one = DbcPack(HEARS, rows)
    for frame in frames:
        for record in one.received(frame, 0):
            assert isinstance(record, PackReport)
            for name in LIMITS:
                said, back = fields.get(name), getattr(record, name)
                if back is not None:
                    assert said is not None
                    assert back >= said if name in UP else back <= said
            for name in ("charge_allowed", "discharge_allowed"):
                assert getattr(record, name) is False or fields.get(name) is True
            if record.cells_mv is not None:
                assert list(record.cells_mv) == fields["cells_mv"]


VIEW = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)])).step(0)


def view_of(fields: dict[str, Any]) -> SystemView:
    """Return a view with these fields."""
    made = VIEW.copy()
    for name, value in fields.items():
        if name != "cells_mv":
            setattr(made, name, value)
    return made


@given(fields=REPORTS)
def test_a_charger_is_never_told_more(folder: Path, fields: dict[str, Any]) -> None:
    """Through the inverter's map: limits on the safe side, and no current exactly if not allowed."""
    rows = load_map_once(folder, "weir.toml")
    view = view_of(fields)
    charger = DbcChargerSide(SaysSettings(map=""), rows)
    for frame in DbcBank(SaysSettings(map=""), rows).due(0, view, True):
        charger.received(frame)
    told = charger.fields
    for name in LIMITS:
        if told.get(name) is not None:
            said = getattr(view, name) or 0
            assert told[name] >= said if name in UP else told[name] <= said
    for allowed, limit, _ in DIRECTIONS:
        if limit in told:
            assert told[allowed] is (told[limit] > 0)
            assert not told[allowed] or getattr(view, allowed) is True
