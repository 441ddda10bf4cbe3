"""Links: what comes is heard at once, nothing old is sent, a loss is made good, last words are said."""

import asyncio
import random
from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from adapters.counts import Counts
from adapters.links import (
    FIRST_WAIT_S,
    LONGEST_WAIT_S,
    Backoff,
    LinkError,
    MessageLink,
    Record,
    reason,
)
from aggregator import Aggregator, BankSettings, PackReport, PackSettings, SystemView

VIEW = Aggregator(BankSettings([PackSettings("oak", capacity_mah=100_000)])).step(0)


class FakeSite:
    """A gateway that keeps what it is given."""

    view: SystemView = VIEW

    def __init__(self) -> None:
        self.took: list[Record] = []

    def now_ms(self) -> int:
        return 0

    def take(self, records: Sequence[Record], by: str) -> None:
        self.took += records

    def may_speak(self) -> bool:
        return True

    def may_say_no(self) -> bool:
        return self.may_speak()

    async def turn(self, most_s: float) -> None:
        await asyncio.sleep(0.001)


class FakeBus:
    """A transport whose items come from a list; it is lost at its end, or at a LinkError in it."""

    def __init__(self, items: list[object], refuses: int = 0, slow_s: float = 0.0) -> None:
        self.items = items
        self.sent: list[object] = []
        self.opened = self.closed = 0
        self._refuses = refuses
        self._slow_s = slow_s

    async def open(self) -> None:
        self.opened += 1
        if self.opened <= self._refuses:
            raise LinkError("not there: is it plugged in?")

    async def receive(self) -> object:
        if not self.items:
            await asyncio.sleep(3_600)
        item = self.items.pop(0)
        if isinstance(item, Exception):
            raise item
        return item

    async def send(self, item: object) -> None:
        await asyncio.sleep(self._slow_s)
        self.sent.append(item)

    async def close(self) -> None:
        self.closed += 1


class FakeTalker:
    """Makes a report of everything, and says what it is told to."""

    def __init__(self, says: list[object] | None = None) -> None:
        self.counts = Counts()
        self.opened_times = 0
        self.says = says or []

    def opened(self, now_ms: int) -> None:
        self.opened_times += 1

    def received(self, item: object, now_ms: int) -> Sequence[Record]:
        return [PackReport("oak", int(str(item)))]

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[object]:
        says, self.says = self.says, []
        return says

    def closing(self, now_ms: int, may_speak: bool) -> Sequence[object]:
        return ["goodbye"]


def run_for(link: MessageLink[object], site: FakeSite, lasts_s: float) -> None:
    """Run a link for a while, then stop it."""

    async def beside() -> None:
        running = asyncio.create_task(link.run(site))
        await asyncio.sleep(lasts_s)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    asyncio.run(beside())


def test_every_item_reaches_the_bank() -> None:
    """In the order in which they came, and counted."""
    bus, site = FakeBus([1, 2, 3]), FakeSite()
    link = MessageLink[object]("hall", bus, [FakeTalker()])
    run_for(link, site, 0.05)
    assert [record.sample for record in site.took if isinstance(record, PackReport)] == [1, 2, 3]
    assert (link.counts.received, link.counts.opened) == (3, 1)


def test_what_is_due_is_sent_and_last_words_are_said() -> None:
    """When the gateway stops on purpose, each talker has the last word, then the bus is closed."""
    bus = FakeBus([])
    run_for(MessageLink[object]("hall", bus, [FakeTalker(["a", "b"])]), FakeSite(), 0.05)
    assert bus.sent == ["a", "b", "goodbye"]
    assert bus.closed == 1


def test_a_last_word_that_is_slow_does_not_keep_the_others_back() -> None:
    """A device may take its time to answer; the next one must still be told to stop."""

    class SlowFirst(FakeBus):
        async def send(self, item: object) -> None:
            self.sent.append(item)
            if len(self.sent) == 1:
                await asyncio.sleep(3_600)

    bus = SlowFirst([])
    link = MessageLink[object]("hall", bus, [FakeTalker(), FakeTalker()])
    run_for(link, FakeSite(), 0.05)
    assert bus.sent == ["goodbye", "goodbye"]
    assert link.counts.dropped == 1


def test_a_lost_bus_is_opened_again() -> None:
    """After a wait; talkers are told, and what comes then is heard."""
    bus, site, talker = FakeBus([1, LinkError("cut"), 2]), FakeSite(), FakeTalker()
    link = MessageLink[object]("hall", bus, [talker], random.Random(1))
    run_for(link, site, FIRST_WAIT_S + 0.2)
    assert len(site.took) == 2
    assert talker.opened_times == 2
    assert link.counts.trouble == "cut"


def test_a_bus_that_is_not_there_is_tried_again_and_says_why() -> None:
    """The reason is one line; nothing raises."""
    bus, site = FakeBus([1], refuses=1), FakeSite()
    link = MessageLink[object]("hall", bus, [FakeTalker()], random.Random(1))
    run_for(link, site, FIRST_WAIT_S + 0.2)
    assert (bus.opened, len(site.took)) == (2, 1)
    assert link.counts.trouble == "not there: is it plugged in?"


def test_a_slow_bus_sends_less_and_nothing_old() -> None:
    """What has waited too long for its turn is dropped, and counted."""
    bus = FakeBus([], slow_s=0.3)
    link = MessageLink[object]("hall", bus, [FakeTalker(["a", "b", "c", "d"])])
    run_for(link, FakeSite(), 1.0)
    assert bus.sent[:2] == ["a", "b"]
    assert link.counts.dropped == 2


def test_each_item_is_sent_only_while_it_may_be() -> None:
    """Leave to speak that is lost between two items of a batch is lost for the second one."""

    class OnceAllowed(FakeSite):
        def may_speak(self) -> bool:
            return not bus.sent

    bus = FakeBus([])
    link = MessageLink[object]("hall", bus, [FakeTalker(["a", "b", "c"])])
    run_for(link, OnceAllowed(), 0.05)
    assert bus.sent[:1] == ["a"]
    assert not {"b", "c"} & set(bus.sent)
    assert link.counts.dropped == 2


def test_who_may_not_fall_silent_is_asked_in_another_way() -> None:
    """A talker on whose bus silence stops nobody goes by `may_say_no`, the others by `may_speak`."""

    class Lost(FakeSite):
        def may_speak(self) -> bool:
            return False

        def may_say_no(self) -> bool:
            return True

    class Asked(FakeTalker):
        def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[object]:
            self.says.append(may_speak)
            return []

    class Unceasing(Asked):
        silence_stops = False

    usual, unceasing = Asked(), Unceasing()
    run_for(MessageLink[object]("hall", FakeBus([]), [usual, unceasing]), Lost(), 0.05)
    assert (set(usual.says), set(unceasing.says)) == ({False}, {True})


def test_a_flood_does_not_hold_up_the_others() -> None:
    """Between two items of a flood, everything else has its turn."""
    turns = 0

    async def beside() -> None:
        nonlocal turns
        running = asyncio.create_task(link.run(FakeSite()))
        while bus.items:
            turns += 1
            await asyncio.sleep(0)
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)

    bus = FakeBus(list(range(1_000)))
    link = MessageLink[object]("hall", bus, [FakeTalker()])
    asyncio.run(beside())
    assert turns > 500


@given(st.integers(), st.integers(1, 30))
def test_waits_grow_are_jittered_and_end(seed: int, attempts: int) -> None:
    """Each wait lies between half and the whole of twice the last, up to the longest."""
    backoff, step_s = Backoff(random.Random(seed)), FIRST_WAIT_S
    for _ in range(attempts):
        assert step_s / 2 <= backoff.wait_s() <= step_s
        step_s = min(2 * step_s, LONGEST_WAIT_S)
    backoff.reset()
    assert backoff.wait_s() <= FIRST_WAIT_S


def test_what_the_system_says_is_told_without_a_library_s_words() -> None:
    """Once, and not as "could not open port X: [Errno 2] No such file or directory: 'X'"."""
    for text, told in (
        (
            "could not open port /dev/no: [Errno 2] No such file or directory: '/dev/no'",
            "No such file or directory",
        ),
        ("[Errno 111] Connection refused", "Connection refused"),
        (
            "Multiple exceptions: [Errno 111] Connect call failed ('::1', 9, 0, 0), [Errno 111] Con",
            "Connection refused",
        ),
        ("[Errno -2] Name or service not known", "Name or service not known"),
        ("[SSL: BAD] certificate verify failed", "[SSL: BAD] certificate verify failed"),
    ):
        assert reason(OSError(text)) == reason(ValueError(text)) == told
    assert reason(OSError(111, "Connect call failed ('127.0.0.1', 9)")) == "Connection refused"
