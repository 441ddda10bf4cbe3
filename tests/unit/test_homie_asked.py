"""What may be asked for over a broker, and a charger that goes by what it hears there."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.homie.reader import HomieReader, Limits
from adapters.homie.settings import HomieSettings
from aggregator import Request
from aggregator.requests import check_request
from tests.homie_board import OAK, ROOT, Board, Message, topics


def asked(path: str, payload: bytes, root: str = ROOT) -> Request | None:
    """What a command becomes."""
    board = Board(requests=True)
    board.opens()
    found = board.hears(path, payload, root=root)
    assert found is None or isinstance(found, Request)
    return found


@pytest.mark.parametrize(
    ("path", "payload", "kind", "value", "lasts_ms", "field"),
    [
        ("charge-current", b"75", "cap_charge_current", 75_000, 3_600_000, None),
        ("charge-current", b"75.0009", "cap_charge_current", 75_000, 3_600_000, None),
        ("charge-current", b"1e-300", "cap_charge_current", 0, 3_600_000, None),
        ("discharge-current", b"1.5e1", "cap_discharge_current", 15_000, 3_600_000, None),
        ("charge-voltage", b"54.4", "cap_charge_voltage", 54_400, 3_600_000, None),
        ("top-charge", b"80.09", "top_soc_permille", 800, 3_600_000, None),
        ("reserve-charge", b"20.01", "reserve_soc_permille", 201, 3_600_000, None),
        ("full-every", b"14", "full_charge_every_days", 14, 3_600_000, None),
        ("stop-charge", b"true", "stop_charge", None, None, None),
        ("stop-charge", b"false", "clear", None, None, "stop_charge"),
        ("clear", b"charge-current", "clear", None, None, "cap_charge_current"),
    ],
)
def test_a_command_becomes_a_request(
    path: str, payload: bytes, kind: str, value: int | None, lasts_ms: int | None, field: str | None
) -> None:
    """Numbers become the stricter step, wishes run out, and who asked is told."""
    found = asked(f"asked/{path}/set", payload)
    assert found is not None
    assert (found.kind, found.value, found.lasts_ms, found.field) == (kind, value, lasts_ms, field)
    assert (found.source, found.pack) == ("homie", None)
    assert check_request(found, ["oak", "fir"]) is None


def test_a_pack_may_be_left_out_for_a_time() -> None:
    """And taken in again by whoever left it out."""
    found = asked("asked/withhold/set", b"true", OAK)
    assert found is not None
    assert (found.kind, found.pack, found.lasts_ms) == ("withhold_pack", "oak", 3_600_000)
    found = asked("asked/withhold/set", b"false", OAK)
    assert found is not None
    assert (found.kind, found.pack, found.field) == ("clear", "oak", "withhold_pack")


@pytest.mark.source("HOMIE5", "Payload: integer, float, boolean, enum")
@pytest.mark.parametrize(
    ("path", "payload", "expected"),
    [
        ("charge-current", b"", "a number"),
        ("charge-current", b"\0", "a number"),
        ("charge-current", b"75 A", "a number"),
        ("charge-current", b"+75", "a number"),
        ("charge-current", b"-0.1", "a number in 0..32000"),
        ("charge-current", b"32000.001", "a number in 0..32000"),
        ("charge-current", b"nan", "a number"),
        ("charge-current", b"1e999", "a number in 0..32000"),
        ("charge-voltage", b"9.999", "a number in 10..120"),
        ("full-every", b"1.0", "a whole number"),
        ("full-every", b"0", "a whole number in 1..365"),
        ("stop-charge", b"TRUE", "true or false"),
        ("stop-charge", b"1", "true or false"),
        ("stop-charge", b"\xff", "UTF-8"),
        ("clear", b"everything", "one of charge-current,"),
    ],
)
def test_a_bad_command_is_refused(path: str, payload: bytes, expected: str) -> None:
    """Counted, with what was expected; nothing is asked of the bank, nothing is echoed."""
    board = Board(requests=True)
    board.opens()
    board.turns(2)
    assert board.hears(f"asked/{path}/set", payload) is None
    assert board.talker.counts.refused == 1
    assert f"asked/{path}/set: expected {expected}" in str(board.talker.counts.trouble)
    assert not [one for one in topics(board.turns(0.5)) if "/asked/" in one]


def test_a_taken_command_is_answered_with_its_value() -> None:
    """As an event: the broker does not keep it."""
    board = Board(requests=True)
    board.opens()
    board.hears("asked/charge-current/set", b"75")
    assert (ROOT + "asked/charge-current", b"75", False, 2) in board.turns(0.1)


def test_a_command_that_the_broker_had_kept_is_not_obeyed() -> None:
    """It may be from last year, and would come again at each connection."""
    board = Board(requests=True)
    board.opens()
    assert board.hears("asked/stop-charge/set", b"true", retained=True) is None
    assert "a command that the broker had kept" in str(board.talker.counts.trouble)


def test_nobody_asks_where_it_was_not_opened() -> None:
    """Requests are off unless the installer says otherwise: not described, not subscribed to."""
    board = Board()
    board.opens()
    assert "asked" not in board.follower.described["battery-bank"]["nodes"]
    assert not [one for one in board.talker.subscriptions if one.endswith("/set")]
    assert board.hears("asked/stop-charge/set", b"true") is None


# ---- A charger.


class Charger:
    """Reads what a board publishes, through a broker that keeps what is retained."""

    def __init__(self, **settings: object) -> None:
        self.board = Board(**settings)  # type: ignore[arg-type]  # a test's
        self.kept: dict[str, bytes] = {}
        self.reader = HomieReader(HomieSettings())
        self.reader.opened(0)

    def hears(self, messages: list[Message]) -> None:
        for topic, payload, retained, qos in messages:
            if retained:
                self.kept[topic] = payload
            self.reader.received((topic, payload, False, qos), self.now_ms)

    def comes_late(self) -> None:
        """Connect anew: the broker brings what it has kept."""
        self.reader.opened(self.now_ms)
        for topic, payload in self.kept.items():
            if payload:
                self.reader.received((topic, payload, True, 2), self.now_ms)

    @property
    def now_ms(self) -> int:
        return self.board.site.now_ms

    def limits(self) -> Limits | None:
        return self.reader.limits(self.now_ms)


def test_a_charger_goes_by_what_it_hears() -> None:
    """Exactly the numbers of the bank."""
    charger = Charger()
    charger.hears(charger.board.opens())
    view = charger.board.site.view
    assert charger.limits() == Limits(
        view.charge_voltage_limit_mv / 1_000, view.discharge_voltage_limit_mv / 1_000,
        view.charge_current_limit_ma / 1_000, view.discharge_current_limit_ma / 1_000, True, True,
    )  # fmt: skip


def test_what_the_broker_kept_is_not_to_go_by() -> None:
    """A charger that comes late waits for a live word, whoever may have died meanwhile."""
    charger = Charger()
    charger.hears(charger.board.opens())
    charger.comes_late()
    assert charger.limits() is None
    charger.hears(charger.board.turns(6))
    assert charger.limits() is not None


def test_limits_run_out_with_a_silent_gateway() -> None:
    """Also while the broker still shows it as ready; and a wrapped counter does not renew them."""
    charger = Charger()
    charger.hears(charger.board.opens())
    charger.board.site.now_ms += 12_900
    assert charger.limits() is not None
    charger.board.site.now_ms += 2_100
    assert charger.limits() is None
    charger.board.site.now_ms -= 5_000
    assert charger.limits() is None


@pytest.mark.parametrize("state", [b"lost", b"disconnected", b"init", b"sleeping", b""])
def test_a_gateway_that_is_not_ready_gives_no_limits(state: bytes) -> None:
    """However fresh they are."""
    charger = Charger()
    charger.hears(charger.board.opens())
    charger.reader.received((ROOT + "$state", state, False, 2), charger.now_ms)
    assert charger.limits() is None


@pytest.mark.parametrize("payload", [b"", b"many", b"-1", b"nan", b"\xff"])
def test_a_bad_limit_leaves_none(payload: bytes) -> None:
    """One that cannot be read spoils all, until it is well again."""
    charger = Charger()
    charger.hears(charger.board.opens())
    charger.reader.received((ROOT + "limits/charge-current", payload, False, 2), charger.now_ms)
    assert charger.limits() is None
    charger.hears(charger.board.turns(6))
    assert charger.limits() is not None


def test_without_leave_to_speak_a_charger_has_nothing_to_go_by() -> None:
    """At once, not when the last word runs out."""
    charger = Charger()
    charger.hears(charger.board.opens())
    charger.board.may_speak = False
    charger.hears(charger.board.turns(0.1))
    assert charger.limits() is None


def test_an_old_life_does_not_lend_its_limits() -> None:
    """After a restart: what the dead gateway had left is emptied before the new one is ready."""
    charger = Charger()
    charger.hears(charger.board.opens())
    charger.comes_late()
    out = charger.board.opens()
    ready = out.index((ROOT + "$state", b"ready", True, 2))
    charger.hears(out[: ready + 1])
    charger.reader.received((ROOT + "limits/hold-for", b"15", False, 0), charger.now_ms)
    assert charger.limits() is None


def test_a_reader_asks_and_the_bank_does() -> None:
    """Both sides of the settable properties agree."""
    board = Board(requests=True)
    board.opens()
    reader = HomieReader(HomieSettings())
    reader.ask("charge-current", "12.5")
    reader.ask("withhold", "true", pack="oak")
    items = reader.due(0, board.site.view, True)
    requests = [board.talker.received(item, 0)[0] for item in items]
    assert [(one.kind, one.value, one.pack) for one in requests] == [  # type: ignore[union-attr]
        ("cap_charge_current", 12_500, None), ("withhold_pack", None, "oak"),
    ]  # fmt: skip
    with pytest.raises(ValueError, match="the id of a property that can be set"):
        reader.ask("charge", "5")


@given(st.lists(st.tuples(st.sampled_from(["$state", "limits/hold-for", "limits/may-charge"]),
                          st.binary(max_size=30), st.booleans())))  # fmt: skip
def test_whatever_a_reader_hears_nothing_raises(items: list[tuple[str, bytes, bool]]) -> None:
    """And no limits come out of garbage."""
    reader = HomieReader(HomieSettings())
    reader.opened(0)
    for number, (path, payload, retained) in enumerate(items):
        reader.received((ROOT + path, payload, retained, 0), number)
        assert reader.limits(number) is None


@pytest.mark.parametrize(
    ("path", "payload", "expected"),
    [
        # A number by the convention, and more than a float holds.
        ("charge-voltage", b"5e359", "not one without end"),
        # 56.0 and 40.0 with some bytes lost on the way.
        ("charge-voltage", b"-0.56", "a number in 0.."),
        ("discharge-voltage", b"-40", "a number in 0.."),
        ("charge-current", b"-0.1", "a number in 0.."),
    ],
)
def test_a_limit_that_nobody_can_obey_is_none(path: str, payload: bytes, expected: str) -> None:
    charger = Charger()
    charger.hears(charger.board.opens())
    assert charger.limits() is not None
    charger.reader.received((ROOT + "limits/" + path, payload, False, 0), charger.now_ms)
    assert charger.limits() is None
    assert expected in charger.reader.counts.refusal
