"""Packs that publish topics: what counts as a reading, and what is refused."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.mqtt.as_pack import messages
from adapters.mqtt.topic_map import Row, Topic, TopicMap
from adapters.mqtt.topics import TopicTalker
from aggregator import BusReport, PackReport, SystemView
from aggregator.report import check_report
from tests.topic_listener import ALIVE, FULL, MAP, PLAIN, STATE, Listener


def test_a_document_becomes_a_report() -> None:
    """Pointers find the numbers; units, sign and lists come out in the core's terms."""
    report = Listener().says("shed/oak/state")
    assert isinstance(report, PackReport)
    assert (report.pack, report.sample, report.voltage_mv) == ("oak", 1, 53_120)
    assert report.current_ma == 4_500  # the map says that discharge is positive
    assert report.charge_current_limit_ma == 75_250
    assert report.cells_mv == (3_310, 3_320)


def test_packs_are_told_apart_by_their_names_on_the_bus() -> None:
    """{pack} stands for each pack's own name there."""
    listener = Listener(oak="bms 1", fir="bms 2")
    assert listener.talker.subscriptions == ("shed/bms 1/state", "shed/bms 2/state")
    assert listener.says("shed/bms 2/state").pack == "fir"  # type: ignore[attr-defined]
    assert listener.says("shed/oak/state") is None


def test_two_packs_need_two_topics() -> None:
    """Without {pack} nothing would tell them apart."""
    both = TopicMap(kind="topics", topics=[Topic(topic="shed/all", values=STATE.values)])
    with pytest.raises(ValueError, match="to tell packs apart"):
        TopicTalker(both, {"oak": "a", "fir": "b"})


@pytest.mark.parametrize("name", ["", "a/b", "a+", "#"])
def test_a_name_on_the_bus_is_one_level_of_a_topic(name: str) -> None:
    """A name with a wildcard or a slash would subscribe to something else."""
    with pytest.raises(ValueError, match="a name on the bus for oak"):
        TopicTalker(PLAIN, {"oak": name})


def test_what_the_broker_kept_is_no_reading() -> None:
    """A retained message is of unknown age: it makes no report, however whole it is."""
    listener = Listener()
    assert listener.says("shed/oak/state", retained=True) is None
    assert listener.says("shed/oak/state").sample == 1  # type: ignore[attr-defined]
    assert listener.says("shed/oak/state", retained=True) is None
    assert listener.says("shed/oak/state").sample == 2  # type: ignore[attr-defined]


def test_a_seldom_topic_may_come_from_the_brokers_store() -> None:
    """Where the map says so it counts, and still makes no report by itself."""
    listener = Listener(MAP)
    assert listener.says("shed/oak/charge", "yes", retained=True) is None
    report = listener.says("shed/oak/state")
    assert isinstance(report, PackReport)
    assert report.charge_allowed is True


def test_what_was_kept_does_not_count_twice() -> None:
    """After a reconnection the same retained word is not younger than before."""
    listener = Listener(MAP)
    listener.says("shed/oak/charge", "yes", retained=True)
    listener.now_ms += 50_000
    listener.says("shed/oak/charge", "yes", retained=True)
    listener.now_ms += 20_000
    assert listener.says("shed/oak/state") is None  # it has run out


def test_a_retained_refusal_is_bad_news_at_once() -> None:
    """A board that forbade charging while we were away is obeyed on the first word."""
    listener = Listener(MAP)
    listener.says("shed/oak/charge", "yes")
    listener.says("shed/oak/state")
    report = listener.says("shed/oak/charge", "no", retained=True)
    assert isinstance(report, PackReport)
    assert report.charge_allowed is False
    assert report.age_ms == 100  # the state it goes with is as old as it is


def test_an_unknown_permission_is_none() -> None:
    """Until the topic that could forbid has been heard, and after it has run out: no reports."""
    listener = Listener(MAP)
    assert listener.says("shed/oak/state") is None
    listener.says("shed/oak/charge", "yes")
    assert listener.says("shed/oak/state") is not None
    listener.now_ms += 61_000
    assert listener.says("shed/oak/state") is None


def test_what_only_informs_may_be_missing() -> None:
    """The capacity is not waited for."""
    listener = Listener(MAP)
    listener.says("shed/oak/charge", "yes")
    report = listener.says("shed/oak/state")
    assert isinstance(report, PackReport)
    assert report.capacity_mah is None
    listener.says("shed/oak/size", "314")
    assert listener.says("shed/oak/state").capacity_mah == 314_000  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b'{"dc": {"u": 53.1, "i": \xff}}', "not UTF-8"),
        (b"[" * 50_000, "nested too deep"),
        (b" " * 65_537, "65537 bytes; at most 65536"),
        (b'{"dc": {"u": NaN, "i": 1}}', "NaN, which is no number"),
        (b'{"dc": {"u": -Infinity, "i": 1}}', "-Infinity, which is no number"),
        (b'{"dc": {"u": 1e999, "i": 1}}', "no usable number for voltage_mv"),
        (b'{"dc": {"u": 1' + b"0" * 400 + b', "i": 1}}', "no usable number for voltage_mv"),
        (b'{"dc": {"u": 1' + b"0" * 5_000 + b', "i": 1}}', "not JSON"),
        (b'{"dc": {"u": "warm", "i": 1}}', "no number for voltage_mv: 'warm'"),
        (b'{"dc": {"u": 53.1, "i": false}}', "no usable number for current_ma: a bool"),
        (b'{"dc": {"u": [1], "i": 1}}', "no usable number for voltage_mv: a list"),
        (b'{"dc": {"u": 53.1}}', "nothing at /dc/i"),
        (b'{"dc": 5}', "nothing at /dc/u"),
        (b"53.1 V", "not JSON"),
        (b"", "not JSON"),
    ],
)
def test_what_cannot_be_taken_is_refused_and_counted(payload: bytes, why: str) -> None:
    """One line says why; nothing of the message is used."""
    listener = Listener()
    assert listener.says("shed/oak/state", payload) is None
    assert listener.talker.counts.refused == 1
    trouble = listener.talker.counts.trouble
    assert trouble is not None
    assert trouble.startswith("shed/oak/state: ")
    assert why in trouble
    assert "\n" not in trouble


@pytest.mark.parametrize(
    ("payload", "value"),
    [("yes", True), (" no\n", False), ("1", True), ("0", False), ("7", False), ("?", False)],
)
def test_plain_payloads_are_numbers_or_known_words(payload: str, value: bool) -> None:
    """Words are those of the map; a number nobody explained is no permission."""
    listener = Listener(MAP)
    listener.says("shed/oak/charge", payload)
    report = listener.says("shed/oak/state")
    assert isinstance(report, PackReport)
    assert report.charge_allowed is value


@pytest.mark.parametrize("payload", ["YES", "0x1", "1_0", "٣", "nan", "inf", "1e99", "--1", "+"])
def test_other_words_are_refused(payload: str) -> None:
    """Nothing is guessed."""
    listener = Listener(MAP)
    listener.says("shed/oak/charge", payload)
    assert listener.talker.counts.refused == 1


def test_numbers_out_of_range_and_null_are_unknown() -> None:
    """They are no data, not a number in disguise; the rest of the message counts."""
    report = Listener().says("shed/oak/state", '{"dc": {"u": 999, "i": null}, "most": "12.5"}')
    assert isinstance(report, PackReport)
    assert report.voltage_mv is None
    assert report.current_ma is None
    assert report.charge_current_limit_ma == 12_500


def test_a_meter_makes_bus_reports() -> None:
    """A map about the bus brings its voltage and current."""
    meter = Topic(topic="shed/meter", values=STATE.values[:2])
    listener = Listener(TopicMap(kind="topics", about="bus", topics=[meter]))
    report = listener.says("shed/meter")
    assert isinstance(report, BusReport)
    assert (report.sample, report.voltage_mv, report.current_ma) == (1, 53_120, 4_500)


reports = st.builds(
    PackReport,
    st.just("oak"),
    st.just(1),
    voltage_mv=st.none() | st.integers(0, 150_000),
    current_ma=st.none() | st.integers(-1_000_000, 1_000_000),
    charge_current_limit_ma=st.none() | st.integers(0, 1_000_000),
    cells_mv=st.none() | st.lists(st.integers(0, 5_000), min_size=1, max_size=32).map(tuple),
    charge_allowed=st.sampled_from([True, False, None]),
    capacity_mah=st.none() | st.integers(1, 2_000_000),
)


@given(reports)
def test_what_a_pack_publishes_reads_back_as_it_was(report: PackReport) -> None:
    """Both sides of a map agree to the last digit; a permission told as unknown is none."""
    listener = Listener(MAP)
    got = None
    for topic, payload, _, _ in reversed(messages(MAP, "oak", report)):
        got = listener.says(topic, payload) or got
    assert isinstance(got, PackReport)
    for name in PackReport.__slots__:
        if name not in ("sample", "age_ms"):
            said = getattr(report, name)
            if name == "charge_allowed" and said is None:
                said = False
            assert getattr(got, name) == said, name


payloads = st.one_of(
    st.binary(max_size=60),
    st.text(max_size=20).map(lambda text: text.encode("utf-8", "replace")),
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(st.sampled_from(["dc", "u", "i", "most", "cells"]), inner, max_size=4)
        ),
        max_leaves=8,
    ).map(lambda value: json.dumps(value).encode()),
)
topics = st.sampled_from(["shed/oak/state", "shed/oak/charge", "shed/oak/size", "shed", ""])


@given(st.lists(st.tuples(topics, payloads, st.booleans(), st.integers(0, 2)), max_size=12))
def test_whatever_comes_nothing_raises_and_reports_are_possible(
    items: list[tuple[str, bytes, bool, int]],
) -> None:
    """Garbage is refused or unknown, and never a number that cannot be."""
    talker = TopicTalker(MAP, {"oak": "oak"})
    for number, item in enumerate(items):
        for report in talker.received(item, number * 50):
            assert isinstance(report, PackReport)
            report.cells_mv = None  # their count is the bank's to check
            assert check_report(report, 16) is None
    assert talker.due(0, SystemView([]), True) == ()


def test_a_publisher_that_is_gone_holds_its_packs_back() -> None:
    """Its last will, also from the broker's store; and after a reconnection it is asked anew."""
    listener = Listener(TopicMap(kind="topics", topics=[STATE, ALIVE]))
    assert listener.says("shed/oak/state") is None
    listener.says("shed/oak/link", "up", retained=True)
    assert listener.says("shed/oak/state") is not None
    listener.says("shed/oak/link", "down")
    assert listener.says("shed/oak/state") is None
    listener.says("shed/oak/link", "busy\n")
    assert listener.says("shed/oak/state") is not None
    listener.talker.opened(0)
    assert listener.says("shed/oak/state") is None


def test_cells_may_come_one_by_one() -> None:
    """Each on a topic of its own; with one missing, the list is unknown."""
    cells = [
        Topic(topic=f"{{pack}}/cell/{number}", values=[Row(field="cells_mv", number=number)])
        for number in (1, 2)
    ]
    listener = Listener(TopicMap(kind="topics", topics=cells))
    assert listener.says("oak/cell/1", "3310") is None
    report = listener.says("oak/cell/2", "3320")
    assert isinstance(report, PackReport)
    assert report.cells_mv == (3_310, 3_320)
    listener.says("oak/cell/1", "9999")
    report = listener.says("oak/cell/2", "3320")
    assert isinstance(report, PackReport)
    assert report.cells_mv is None


@given(st.lists(st.tuples(topics, st.sampled_from([FULL, "yes", "no", "314"])), max_size=20))
def test_nothing_that_was_kept_makes_a_pack_look_alive(messages: list[tuple[str, str]]) -> None:
    """However much the broker had kept, and however often it brings it: no report."""
    listener = Listener(MAP)
    for topic, payload in messages:
        assert listener.says(topic, payload, retained=True) is None
