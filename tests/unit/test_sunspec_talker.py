"""The SunSpec server: when it shows what, and what comes of what is written to it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.registers import Idle, Image, Written
from adapters.sunspec import SunSpecServer, SunSpecSettings, chain
from adapters.sunspec.image import BATTERY_AT
from adapters.sunspec.models import BATTERY
from adapters.sunspec.points import Value
from aggregator import SystemView
from aggregator.requests import check_request
from tests.registers import view_of
from tests.unit.test_sunspec import RATINGS

VIEW = view_of()
CONNECT, DISCONNECT = 1, 2


def address(name: str, base: int = 40_000) -> int:
    return base + BATTERY_AT + BATTERY.offset(name)


class Bench:
    """A server without a bus."""

    def __init__(self, **settings: object) -> None:
        self.server = SunSpecServer(SunSpecSettings(**settings), RATINGS)  # type: ignore[arg-type]
        self.server.opened(0)

    def shows(
        self, now_ms: int, view: SystemView = VIEW, may_speak: bool = True
    ) -> dict[str, Value]:
        """Model 802 as it is shown now."""
        self.server.opened(now_ms)
        (image,) = self.server.due(now_ms, view, may_speak)
        assert isinstance(image, Image)
        assert image.tables is not None
        table = image.tables[3]
        return chain([table[at] for at in sorted(table)])[802][0]

    def writes(self, now_ms: int, **points: int) -> list[tuple[object, ...]]:
        """What is asked for when these points are written."""
        written = tuple((address(name), word) for name, word in points.items())
        return told(self.server.received(Written(1, written), now_ms))

    def waits(self, now_ms: int) -> list[tuple[object, ...]]:
        return told(self.server.received(Idle(), now_ms))


def told(found: object) -> list[tuple[object, ...]]:
    assert isinstance(found, list | tuple)
    assert all(check_request(one, ["oak"]) is None for one in found)
    return [(one.kind, one.field, one.source) for one in found]


def test_disconnect_stops_and_connect_clears() -> None:
    """SetOp asks for both stops, and takes them back; it can be read back."""
    bench = Bench()
    assert bench.shows(0)["SetOp"] == CONNECT
    assert bench.writes(10, SetOp=DISCONNECT) == [
        ("stop_charge", None, "sunspec"),
        ("stop_discharge", None, "sunspec"),
    ]
    assert bench.shows(20)["SetOp"] == DISCONNECT
    assert bench.writes(30, SetOp=CONNECT) == [
        ("clear", "stop_charge", "sunspec"),
        ("clear", "stop_discharge", "sunspec"),
    ]
    assert bench.shows(40)["SetOp"] == CONNECT


def test_a_stop_from_before_the_start_is_shown() -> None:
    """Stops outlive a restart: SetOp shows DISCONNECT while the owner's stop holds both ways."""
    rules = {"charge_current_rule": "owner_stop", "discharge_current_rule": "owner_stop"}
    assert Bench().shows(0, view_of(**rules))["SetOp"] == DISCONNECT


def test_alarm_reset_is_answered() -> None:
    """A 1 is taken and is 0 again at once; it asks for nothing."""
    bench = Bench()
    assert bench.writes(0, AlmRst=1) == []
    assert bench.shows(10)["AlmRst"] == 0
    assert bench.server.counts.refused == 0


def test_what_means_nothing_is_counted() -> None:
    """Numbers that the standard does not list."""
    bench = Bench()
    assert bench.writes(0, SetOp=3, AlmRst=2, SetInvState=9) == []
    assert bench.server.counts.refused == 3
    assert bench.shows(10)["SetInvState"] is None


def test_the_inverters_state_is_kept() -> None:
    """What the controller says of the inverter can be read back."""
    bench = Bench()
    bench.writes(0, SetInvState=3)
    assert bench.shows(10)["SetInvState"] == 3


def test_the_heartbeat_counts_seconds() -> None:
    """One a second while we may speak; frozen, with a fault and no currents, while we may not."""
    bench = Bench()
    for now_ms in range(0, 10_000, 20):
        bench.server.due(now_ms, VIEW, True)
    assert bench.shows(10_000)["Hb"] == 10
    for now_ms in range(10_000, 15_000, 20):
        bench.server.due(now_ms, VIEW, False)
    said = bench.shows(15_000, may_speak=False)
    assert said["Hb"] == 10
    assert (said["State"], said["Evt1"]) == (99, 1)
    assert (said["AChaMax"], said["ADisChaMax"], said["ReqInvState"]) == (0, 0, 2)


def test_images_come_with_every_second_and_every_change() -> None:
    """Nothing new in between: nothing is shown anew."""
    bench = Bench()
    shown = [now_ms for now_ms in range(0, 3_000, 20) if bench.server.due(now_ms, VIEW, True)]
    assert shown == [0, 1_000, 2_000]
    assert bench.server.due(3_020, view_of(charge_current_limit_ma=5), True)


def test_another_board_speaks() -> None:
    """A follower shows nothing: reads get an exception."""
    server = SunSpecServer(SunSpecSettings(), RATINGS)
    assert server.due(0, view_of(role="follower"), False) == (Image(1, None),)
    assert server.due(20, view_of(role="follower"), False) == ()


def test_the_controllers_silence_is_the_owners_wish() -> None:
    """No heartbeat for the time set: the wish, once; when it beats again: cleared, once."""
    bench = Bench(controller_ms=10_000, controller_lost=["stop_charge", "stop_discharge"])
    assert bench.waits(10_000) == []
    lost = [("stop_charge", None, "sunspec watchdog"), ("stop_discharge", None, "sunspec watchdog")]
    back = [("clear", "stop_charge", "sunspec watchdog"), ("clear", "stop_discharge", "sunspec watchdog")]  # fmt: skip
    assert bench.waits(10_001) == lost
    assert bench.waits(20_000) == []
    assert bench.writes(21_000, CtrlHb=5) == back
    assert bench.writes(22_000, CtrlHb=6) == []
    assert bench.writes(31_000, CtrlHb=6) == []  # it stands still
    assert bench.waits(32_001) == lost
    assert bench.server.counts.trouble == "the controller's heartbeat (CtrlHb) stands still"


def test_a_wish_from_before_the_start_is_taken_back() -> None:
    """The first beat after a start clears what an earlier silence may have left."""
    bench = Bench(controller_ms=10_000)
    assert bench.writes(50, CtrlHb=0) == [("clear", "stop_charge", "sunspec watchdog")]


def test_silence_is_nothing_unless_it_is_watched() -> None:
    """Without the setting no heartbeat is missed."""
    bench = Bench()
    assert bench.waits(3_000_000) == []
    assert bench.writes(3_000_010, CtrlHb=1) == []


def test_orders_can_be_switched_off() -> None:
    """obeys = false: only the controller's heartbeat is writable, and LocRemCtl says so."""
    bench = Bench(obeys=False)
    assert bench.shows(0)["LocRemCtl"] == 1
    assert bench.writes(10, SetOp=DISCONNECT) == []
    (image,) = bench.server.due(2_000, VIEW, True)
    assert isinstance(image, Image)
    assert image.writable == {address("CtrlHb")}


def test_wrong_settings_are_refused() -> None:
    """A base outside the standard's three, and a wish that needs a value."""
    for wrong in ({"base": 30_000}, {"controller_lost": ["cap_charge_current"]}, {"device": 0}):
        with pytest.raises(ValueError):  # noqa: PT011  # each by its own words
            SunSpecSettings(**wrong)  # type: ignore[arg-type]  # that is the test


places = st.one_of(
    st.sampled_from([address(name) for name in ("CtrlHb", "AlmRst", "SetOp", "SetInvState")]),
    st.integers(39_990, 40_300),
)


@given(
    items=st.lists(
        st.one_of(
            st.just(Idle()),
            st.builds(
                Written,
                st.integers(0, 2),
                st.lists(st.tuples(places, st.integers(0, 0xFFFF)), max_size=5).map(tuple),
            ),
        ),
        max_size=20,
    ),
    times=st.lists(st.integers(0, 0x3FFF_FFFF), min_size=20, max_size=20),
)
def test_any_writes_at_any_time_never_raise(items: list[Written | Idle], times: list[int]) -> None:
    """Whatever is written, whenever: requests that the bank can take, and words that fit."""
    server = SunSpecServer(SunSpecSettings(controller_ms=5_000), RATINGS)
    for item, now_ms in zip(items, times, strict=False):
        told(server.received(item, now_ms))
        for image in server.due(now_ms, VIEW, True):
            assert isinstance(image, Image)
            assert image.tables is not None
            assert all(0 <= word <= 0xFFFF for word in image.tables[3].values())
