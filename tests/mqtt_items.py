"""What random bytes become on a broker, for fuzzing every decoder of topics."""

from adapters.homie.reader import HomieReader
from adapters.homie.settings import HomieSettings
from adapters.homie.talker import HomieTalker
from adapters.mqtt.topics import TopicTalker
from tests.topic_listener import MAP

Message = tuple[str, bytes, bool, int]
ROOT = "homie/5/battery-bank/"
# Topics that a decoder looks at; the first byte of an item chooses one.
TOPICS = (
    "shed/oak/state",
    "shed/oak/charge",
    "shed/oak/size",
    ROOT + "$state",
    ROOT + "$description",
    ROOT + "$alert/x",
    ROOT + "limits/hold-for",
    ROOT + "limits/charge-current",
    ROOT + "limits/may-charge",
    ROOT + "asked/charge-current/set",
    ROOT + "asked/stop-charge/set",
    ROOT + "asked/clear/set",
    "homie/5/battery-bank-oak/asked/withhold/set",
    "elsewhere",
)


def items(data: bytes) -> list[Message]:
    """Return messages made of bytes: topic, flags, length, and so many bytes of payload, repeated."""
    made = []
    while len(data) > 3:
        which, flags, length = data[0], data[1], data[2]
        made.append(
            (TOPICS[which % len(TOPICS)], data[3 : 3 + length], flags & 1 == 1, flags >> 1 & 1)
        )
        data = data[3 + length :]
    return made


def make_topics() -> TopicTalker:
    """Return a talker that hears packs."""
    return TopicTalker(MAP, {"oak": "oak"})


def make_homie() -> HomieTalker:
    """Return a talker that is asked."""
    return HomieTalker(HomieSettings(requests=True), ["oak"])


def make_reader() -> HomieReader:
    """Return a charger's reader."""
    return HomieReader(HomieSettings())
