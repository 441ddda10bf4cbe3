"""JSON lines, RV-C and contacts: never above the view, never half a message, never an exception."""

import json
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from adapters.contacts.levels import CONTACTS, RULES, Contacts
from adapters.jsonlines.lines_in import LinesIn
from adapters.jsonlines.lines_out import LinesOut
from adapters.jsonlines.opposite import ViewReader, report_line
from adapters.jsonlines.writer import ALL_FIELDS, OBEYED, ViewWriter
from adapters.rvc.charger import RvcCharger
from adapters.rvc.frames import STATUS_4, STATUS_6, STATUS_11
from adapters.rvc.opposite import pack_frames
from adapters.rvc.pack import RvcPack
from adapters.rvc.settings import SaysRvc
from aggregator import PackReport
from aggregator.plain import json_text, view_to_plain
from aggregator.report import ALARMS, REPORT_FLAGS, REPORT_INTS, REPORT_LISTS
from aggregator.view import Finding, PackRow, SystemView
from tests.fuzz.board import DECODERS

INTS = {name: (low, high) for name, low, high in REPORT_INTS if name != "sample"}
# Pieces that lines are made of, whole and broken.
PIECES = [
    b'{"pack":"oak",', b'"sample":1', b"}\n", b'{"op":"bus",', b'"voltage_mv":', b"-", b"0", b"53000",
    b'"cells_mv":[', b"3300,", b"3301]", b",", b"null", b"true", b'"warnings":["other"]', b"1.5",
    b'"op":"request",', b'"kind":"stop_charge"', b"\\", b"\xff", b"[[", b" ", b"\n", b"#", b'"',
]  # fmt: skip
GOOD = [
    b'{"op":"bus","t":7,"voltage_mv":53000,"current_ma":-9}\n',
    b'{ "op" : "request", "kind":"clear", "field":"stop_charge", "source":"phone" }\n',
    b'{"pack":"oak","cells_mv":[3300,0,-1],"charge_allowed":null}\n',
]
AT_A_TIME = settings(max_examples=150, deadline=None)


def or_none(values: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    """A value, or unknown."""
    return st.one_of(st.none(), values)


def reports() -> st.SearchStrategy[dict[str, Any]]:
    """The fields of any report whose values are in range."""
    fields = {name: or_none(st.integers(low, high)) for name, (low, high) in INTS.items()}
    fields |= {name: or_none(st.booleans()) for name in REPORT_FLAGS}
    for name, low, high, _, _ in REPORT_LISTS:
        fields[name] = or_none(st.lists(st.integers(low, high), max_size=32))
    for name in ("warnings", "protections"):
        fields[name] = or_none(st.lists(st.sampled_from(ALARMS), max_size=15))
    fields["sample"] = st.integers(0, 65_535)
    fields["pack"] = st.text("abcxyz019-", min_size=1, max_size=16)
    return st.fixed_dictionaries(fields)


def views() -> st.SearchStrategy[SystemView]:
    """Any view; limits and permissions as they come, also where the core would tie them."""

    def made(values: dict[str, object]) -> SystemView:
        shown = SystemView(["oak"])
        for name, value in values.items():
            setattr(shown, name, value)
        return shown

    limits = st.one_of(st.integers(0, 200), st.integers(0, 3_000_000))
    return st.fixed_dictionaries(
        {
            "voltage_mv": or_none(st.integers(0, 150_000)),
            "current_ma": or_none(st.integers(-64_000_000, 64_000_000)),
            "power_w": or_none(st.integers(-9_600_000, 9_600_000)),
            "soc_permille": or_none(st.integers(0, 1_000)),
            "remaining_mah": or_none(st.integers(0, 128_000_000)),
            "capacity_mah": st.integers(0, 128_000_000),
            "temperature_max_decic": or_none(st.integers(-500, 1_500)),
            "charge_allowed": st.booleans(),
            "discharge_allowed": st.booleans(),
            "charge_voltage_limit_mv": st.integers(0, 150_000),
            "charge_current_limit_ma": limits,
            "discharge_current_limit_ma": limits,
            "protection_bits": st.integers(0, (1 << len(ALARMS)) - 1),
        }
    ).map(made)


# ---- JSON lines.
@given(st.lists(reports(), min_size=1, max_size=4), st.lists(st.integers(1, 60), min_size=1))
@AT_A_TIME
def test_reports_come_through_in_any_chunks(
    several: list[dict[str, Any]], sizes: list[int]
) -> None:
    """Whatever packs report, however the stream is cut, the same reports are heard, in order."""
    stream = b"".join(report_line(PackReport(**fields)) for fields in several)
    talker = LinesIn(longest_line=4_096)
    heard, at = [], 0
    while at < len(stream):
        size = sizes[at % len(sizes)]
        for report in talker.received(stream[at : at + size], 0):
            heard.append({name: getattr(report, name) for name in PackReport.__slots__})
            heard[-1] = json.loads(json.dumps(heard[-1]))
        at += size
    assert talker.counts.trouble is None
    assert heard == several


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    """A good line, with a byte or two changed, left out or put in."""
    fields = draw(reports())
    line = draw(st.sampled_from([report_line(PackReport(**fields)), *GOOD]))
    for _ in range(draw(st.integers(0, 2))):
        at = draw(st.integers(0, len(line) - 1))
        put = draw(st.sampled_from([b"", b" ", b"0", b"-", b",", b'"', b":", b"[", b"}", b"\x80"]))
        line = line[:at] + put + line[at + draw(st.integers(0, 1)) :]
    return line


@given(st.one_of(st.lists(st.sampled_from(PIECES), max_size=12).map(b"".join), spoilt()))
@example(b'{"pack":"oak","sample":01}\n')
@example(b'{"pack":"oak","sample":-0}\n')
@example(b'{"pack":"oak","sample":1,"sample":1}\n')
@AT_A_TIME
def test_what_is_taken_is_json_and_means_the_same(stream: bytes) -> None:
    """No line is taken that another reader of JSON would refuse, or read otherwise."""
    for line in stream.split(b"\n"):
        records = LinesIn(answers=False).received(line + b"\n", 0)
        if not records:
            continue
        pairs = json.loads(line, object_pairs_hook=lambda pairs: pairs)
        plain = dict(pairs)
        assert len(plain) == len(pairs)
        assert not any(isinstance(value, float) for value in plain.values())
        for name in set(plain) - {"op", "t", "sample", "source"}:
            assert getattr(records[0], name) == plain[name]
        assert plain.get("sample") in (None, getattr(records[0], "sample", None))


@given(views())
@AT_A_TIME
def test_a_view_line_says_the_view_or_nothing_to_obey(view: SystemView) -> None:
    """Limits are the view's own; null without the right to speak."""
    for may_speak in (True, False):
        (told,) = ViewReader().views(LinesOut().due(0, view, may_speak)[0])
        for name in OBEYED:
            assert told[name] == (getattr(view, name) if may_speak else None)


WORDS = st.one_of(st.text(max_size=8), st.sampled_from(["oak", "limit_unknown", 'got "x\\y"']))


@given(views(), st.lists(WORDS, max_size=4), st.integers(0, 3), st.booleans())
@AT_A_TIME
def test_a_view_line_is_the_cores_own_json(
    view: SystemView, words: list[str], packs: int, may_speak: bool
) -> None:
    """Written without garbage, byte for byte what the core's own converter gives."""
    view.last_refusal = words[0] if words else None
    view.findings = [Finding(word, None if len(word) % 2 else "oak") for word in words]
    view.rows = [PackRow(f"pack-{number}") for number in range(packs)]
    for row, word in zip(view.rows, words, strict=False):
        row.why_ignored, row.share_permille = word, len(word)
    view.warning_bits = view.protection_bits >> 3
    plain = view_to_plain(view) | {"may_speak": may_speak}
    if not may_speak:
        plain |= dict.fromkeys(OBEYED)
    expected = json_text({"view": plain}).encode() + b"\n"
    writer = ViewWriter(list(ALL_FIELDS))
    assert writer.line(view, may_speak) == expected
    assert writer.line(view, may_speak) == expected


# ---- RV-C.
@given(views(), st.sampled_from(["any", "all"]))
@AT_A_TIME
def test_a_charger_never_takes_more_than_the_view_allows(view: SystemView, flags: Any) -> None:
    """Said on RV-C and obeyed: not above the limits; 0 and "not allowed" go together, thrice."""
    talker = SaysRvc(manufacturer_code=0, identity_number=1, flags=flags).talker()
    talker.opened(0)
    charger = RvcCharger(1, 150_000, 3_000_000)
    told = {}
    for now_ms in range(0, 2_600, 100):
        for number, data in talker.due(now_ms, view, True):
            told[number >> 8 & 0x1FFFF] = data
            charger.received((number, data), now_ms)
    charger.decide(2_600)
    assert charger.obeys
    may = view.charge_allowed and view.charge_current_limit_ma > 0
    assert charger.current_ma <= (view.charge_current_limit_ma if may else 0)
    if charger.current_ma:
        assert charger.voltage_mv <= view.charge_voltage_limit_mv
    forbidden = told[STATUS_4][2] == 1
    assert forbidden == (int.from_bytes(told[STATUS_4][5:7], "little") == 0xFFFF)
    assert forbidden == (told[STATUS_11][2] >> 2 & 3 == 0)
    assert (told[STATUS_6][2] & 3 == 1) >= forbidden
    assert (told[STATUS_6][2] >> 4 & 3 == 1) >= (not view.discharge_allowed)
    assert (told[STATUS_11][2] & 3 == 1) == view.discharge_allowed


@given(views())
@AT_A_TIME
def test_nothing_is_said_without_the_right_to_speak(view: SystemView) -> None:
    """No DC source status at all."""
    talker = SaysRvc(manufacturer_code=0, identity_number=1).talker()
    talker.opened(0)
    for now_ms in range(0, 6_000, 250):
        for number, _ in talker.due(now_ms, view, False):
            assert number >> 8 & 0x1FFFF in (0xEEFF, 0x1FECA)


@given(reports())
@AT_A_TIME
def test_a_pack_heard_never_allows_more_than_it_says(fields: dict[str, Any]) -> None:
    """A report told in RV-C and heard again: limits at most its own, no permission it did not give,
    and no number where it said none."""
    said = PackReport(**fields)
    talker = RvcPack("oak", 10)
    (heard,) = [one for frame in pack_frames(said, 10) for one in talker.received(frame, 0)][-1:]
    may = said.charge_allowed is not False and said.charge_current_limit_ma is not None
    if heard.charge_current_limit_ma:
        assert may
        assert heard.charge_current_limit_ma <= said.charge_current_limit_ma  # type: ignore[operator]
        assert heard.charge_voltage_limit_mv <= said.charge_voltage_limit_mv  # type: ignore[operator]
    assert (heard.charge_allowed is False) == (heard.charge_current_limit_ma == 0)
    if said.discharge_allowed is False:
        assert heard.discharge_allowed is False
    assert heard.current_ma == said.current_ma
    assert heard.voltage_mv == said.voltage_mv
    if said.soc_permille is None:
        assert heard.soc_permille is None
    else:
        assert 0 <= said.soc_permille - heard.soc_permille < 5  # type: ignore[operator]


# ---- Contacts.
@given(st.lists(st.tuples(views(), st.booleans(), st.integers(1, 4_000)), max_size=30))
@AT_A_TIME
def test_contacts_are_closed_only_with_permission_and_after_their_rest(
    moments: list[tuple[SystemView, bool, int]],
) -> None:
    """Whatever the view does: open at once, closed only after the rest."""
    talker = Contacts(rest_ms=5_000, shed_ms=5_000)
    now_ms, levels = 0, dict.fromkeys(CONTACTS, False)
    opened = dict.fromkeys(CONTACTS, 0)
    talker.opened(0)
    for view, may_speak, wait_ms in moments:
        now_ms += wait_ms
        for name, level in talker.due(now_ms, view, may_speak):
            if level and not levels[name]:
                assert now_ms - opened[name] >= 5_000
            if levels[name] and not level:
                opened[name] = now_ms
            levels[name] = level
        for name, rule in zip(CONTACTS, RULES, strict=True):
            assert levels[name] <= (may_speak and rule(view))


# ---- Any input.
@pytest.mark.parametrize(("make", "items"), [row[1:] for row in DECODERS], ids=[row[0] for row in DECODERS])  # fmt: skip
@given(data=st.binary(max_size=600))
@AT_A_TIME
def test_no_bytes_raise(make: Any, items: Any, data: bytes) -> None:
    """Whatever comes, decoders go on, and what they hand over is whole."""
    talker = make()
    for number, item in enumerate(items(data)):
        for record in talker.received(item, number * 50) or ():
            if isinstance(record, PackReport):
                assert record.sample is not None
                for name, (low, high) in INTS.items():
                    value = getattr(record, name)
                    assert value is None or low <= value <= high


ANYTHING = st.one_of(
    st.none(), st.integers(), st.text(), st.binary(), st.floats(), st.booleans(),
    st.tuples(st.integers(), st.binary()), st.tuples(st.integers(), st.none()), st.lists(st.none()),
)  # fmt: skip


@pytest.mark.parametrize("make", [row[1] for row in DECODERS], ids=[row[0] for row in DECODERS])
@given(item=ANYTHING)
@AT_A_TIME
def test_no_item_of_another_kind_raises(make: Any, item: object) -> None:
    """Not even what is no item at all."""
    assert not make().received(item, 0)
