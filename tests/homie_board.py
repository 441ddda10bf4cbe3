"""A bank, what speaks for it by the Homie convention, and a follower of all that goes out."""

from adapters.homie.settings import HomieSettings
from adapters.homie.talker import HomieTalker
from tests.bank import Site
from tests.homie_rules import Follower

Message = tuple[str, bytes, bool, int]
ROOT = "homie/5/battery-bank/"
OAK = "homie/5/battery-bank-oak/"


class Board:
    """A bank, its talker, and a follower of all that goes out."""

    def __init__(self, *packs: str, **settings: object) -> None:
        self.site = Site(*(packs or ("oak", "fir"))).is_ready()
        chosen = HomieSettings(**settings)  # type: ignore[arg-type]  # a test's
        names = list(packs or ("oak", "fir"))
        self.talker = HomieTalker(chosen, names, self.site.readings)
        self.follower = Follower()
        self.may_speak = True
        self.last: list[Message] = []

    def opens(self, *kept: Message) -> list[Message]:
        """Connect; the broker brings what it had kept; run until everything is announced."""
        self.talker.opened(self.site.now_ms)
        for topic, payload, _, qos in kept:
            self.talker.received((topic, payload, True, qos), self.site.now_ms)
        return self.turns(3)

    def turns(self, seconds: float, every_ms: int = 20) -> list[Message]:
        """Let the link take its turns; the bank steps every second. Returns what went out."""
        self.last = []
        for number in range(round(seconds * 1_000 / every_ms)):
            now_ms = self.site.now_ms + number * every_ms
            self.last += self.talker.due(now_ms, self.site.view, self.may_speak)
        self.site.now_ms += round(seconds * 1_000)
        self.follower.hears(self.last)
        return self.last

    def steps(self, seconds: int = 1) -> list[Message]:
        """Let packs report, the bank step, and the link take its turns."""
        out = []
        for _ in range(seconds):
            self.site.runs(1)
            self.site.now_ms -= 1_000
            out += self.turns(1)
        self.last = out
        return out

    def hears(self, path: str, payload: bytes, retained: bool = False, root: str = ROOT) -> object:
        """Somebody publishes below one of our devices; returns the request, or None."""
        found = self.talker.received((root + path, payload, retained, 1), self.site.now_ms)
        return found[0] if found else None


def topics(messages: list[Message]) -> list[str]:
    return [topic for topic, _, _, _ in messages]
