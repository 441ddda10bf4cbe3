"""A charger that goes by a broker never goes by what no living gateway stands for."""

from hypothesis import example, given
from hypothesis import strategies as st

from adapters.homie.devices import HOLDS
from adapters.homie.reader import HomieReader
from adapters.homie.settings import HomieSettings
from adapters.homie.talker import HomieTalker
from tests.bank import Site

ROOT = "homie/5/battery-bank/"
HOLD_MS = 15_000
Message = tuple[str, bytes, bool, int]


class World:
    """A bank, a gateway that may die, hang or be muted, a broker, and a charger that comes and goes."""

    def __init__(self) -> None:
        self.site = Site("oak", "fir").is_ready()
        self.kept: dict[str, bytes] = {}
        self.reader = HomieReader(HomieSettings())
        self.present = False  # the charger
        self.may_speak = True
        self.block: dict[str, bytes] = {}  # the limits said last, and when
        self.held_ms: int | None = None
        self.start()
        self.arrive()

    # What may happen.

    def start(self) -> None:
        """A gateway starts, or comes back; the broker brings what it has kept."""
        self.alive = True
        self.talker = HomieTalker(HomieSettings(), ["oak", "fir"])
        self.talker.opened(self.site.now_ms)
        for topic, payload in list(self.kept.items()):
            self.talker.received((topic, payload, True, 2), self.site.now_ms)

    def die(self) -> None:
        """The gateway dies, and the broker notices at once."""
        if self.alive:
            self.alive = False
            self.publish([self.talker.will])

    def hang(self) -> None:
        """The gateway falls silent, and nobody notices."""
        self.alive = False

    def leave(self) -> None:
        """The gateway stops on purpose."""
        if self.alive:
            self.publish(list(self.talker.closing(self.site.now_ms, self.may_speak)))
            self.alive = False

    def mute(self) -> None:
        """It may not speak to chargers any more."""
        self.may_speak = False

    def unmute(self) -> None:
        """It may again."""
        self.may_speak = True

    def tighten(self) -> None:
        """The owner asks for less."""
        self.site.asks("cap_charge_current", value=10_000)

    def relax(self) -> None:
        """And takes it back."""
        self.site.asks("clear", field="cap_charge_current")

    def go(self) -> None:
        """The charger loses the broker."""
        self.present = False

    def arrive(self) -> None:
        """It is there again, and the broker brings what it has kept."""
        self.present = True
        self.reader.opened(self.site.now_ms)
        for topic, payload in self.kept.items():
            self.reader.received((topic, payload, True, 2), self.site.now_ms)

    def fool(self) -> None:
        """Somebody has the broker keep the word that limits hold."""
        self.kept[ROOT + HOLDS.path] = b"15"

    def run(self, seconds: int) -> None:
        """Time passes; the link takes its turns, and the charger looks at its limits."""
        for _ in range(seconds):
            self.site.runs(1)
            for _ in range(4):
                if self.alive:
                    now_ms, view = self.site.now_ms, self.site.view
                    self.publish(list(self.talker.due(now_ms, view, self.may_speak)))
                self.check()

    # What must be so.

    def publish(self, messages: list[Message]) -> None:
        """The broker takes messages, keeps what is retained, and passes them on."""
        for topic, payload, retained, qos in messages:
            if retained:
                self.kept.pop(topic, None)
                if payload:
                    self.kept[topic] = payload
            if topic.startswith(ROOT + "limits/"):
                assert self.may_speak or not payload
                self.block[topic] = payload
            if topic == ROOT + HOLDS.path:
                self.held_ms = self.site.now_ms
            if self.present:
                self.reader.received((topic, payload, False, qos), self.site.now_ms)

    def check(self) -> None:
        """What the charger goes by was said last, a short while ago, by one that might speak."""
        found = self.reader.limits(self.site.now_ms)
        if found is None:
            return
        assert self.held_ms is not None
        assert self.site.now_ms - self.held_ms < HOLD_MS
        if self.present:
            assert found.charge_current == float(self.block[ROOT + "limits/charge-current"])
            assert found.charge_voltage == float(self.block[ROOT + "limits/charge-voltage"])
            assert self.kept[ROOT + "$state"] == b"ready"


EVENTS = st.one_of(
    st.sampled_from(
        [World.start, World.die, World.hang, World.leave, World.mute, World.unmute, World.tighten,
         World.relax, World.go, World.arrive, World.fool]
    ),
    st.integers(1, 20),
)  # fmt: skip


@given(st.lists(EVENTS, min_size=3, max_size=14))
@example([World.fool, World.hang, 20, World.arrive])
@example([World.hang, World.go, World.start, World.arrive, 3])
def test_a_charger_never_goes_by_the_word_of_the_dead(events: list[object]) -> None:
    """Whatever dies, hangs, restarts, is muted or comes late, in any order."""
    world = World()
    world.run(4)
    assert world.reader.limits(world.site.now_ms) is not None
    for event in events:
        if isinstance(event, int):
            world.run(event)
        else:
            event(world)  # type: ignore[operator]  # a method of World
        world.check()
    world.unmute()
    world.start()
    world.arrive()
    world.run(8)
    assert world.reader.limits(world.site.now_ms) is not None
