"""Homie devices on a real broker: a gateway in a process of its own, independent clients around it."""

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from adapters.homie.reader import HomieReader, Limits
from adapters.homie.settings import HomieSettings
from tests.broker import Broker, Client, broker, client
from tests.homie_gateway import HOLD_S, KEEPALIVE_S
from tests.homie_rules import Follower

ROOT = "homie/5/battery-bank/"
PACK = {"u": 53.0, "i": 0, "low": 3.31, "high": 3.32, "t": 20, "in": 60, "out": 80}


@contextmanager
def running(there: Broker, *packs: str) -> Iterator[subprocess.Popen[bytes]]:
    """Run a gateway for these packs."""
    command = [sys.executable, "-m", "tests.homie_gateway", str(there.port), *packs]
    process = subprocess.Popen(command, cwd=Path(__file__).parent.parent.parent)
    try:
        yield process
    finally:
        process.send_signal(signal.SIGCONT)
        process.kill()
        process.wait()


class Charger:
    """An independent client with the rule of our reader: its messages, as they come."""

    def __init__(self, ears: Client) -> None:
        self.reader = HomieReader(HomieSettings())
        self.reader.opened(self.now_ms())
        self._ears = ears

    def now_ms(self) -> int:
        return time.monotonic_ns() // 1_000_000

    def limits(self) -> Limits | None:
        for topic, payload, retained in self._ears.all():
            self.reader.received((topic, payload.encode(), retained, 2), self.now_ms())
        return self.reader.limits(self.now_ms())

    def waits_for(self, holds: Callable[[Limits | None], bool], within_s: float = 10) -> float:
        """Wait until the limits are as they should be; return how long it took [s]."""
        started_s = time.monotonic()
        while time.monotonic() - started_s < within_s:
            found = self.limits()
            if holds(found):
                return time.monotonic() - started_s
            time.sleep(0.02)
        raise AssertionError(f"the limits are {found} after {within_s} s")


def some(found: Limits | None) -> bool:
    """Is there anything to go by?"""
    return found is not None


def nothing(found: Limits | None) -> bool:
    """Is there nothing to go by?"""
    return found is None


def currents(charge: float, discharge: float) -> Callable[[Limits | None], bool]:
    """Are these the current limits [A], with permission?"""
    return lambda found: (
        found is not None
        and (found.charge_current, found.discharge_current) == (charge, discharge)
        and found.may_charge
        and found.may_discharge
    )


@contextmanager
def reporting(there: Broker, *packs: str) -> Iterator[Client]:
    """Packs that report five times a second, by a client that may be used besides."""
    stop = threading.Event()

    def report() -> None:
        while not stop.wait(0.2):
            for pack in packs:
                hands.publish(f"shed/{pack}", json.dumps(PACK))

    with client(there.port) as hands:
        thread = threading.Thread(target=report)
        thread.start()
        try:
            yield hands
        finally:
            stop.set()
            thread.join()


def test_limits_travel_from_packs_to_a_charger(tmp_path: Path) -> None:
    """Packs, broker, bank, broker, charger; and a wish of the owner on the way back."""
    with broker(tmp_path) as there, client(there.port, "homie/5/#") as ears:
        charger = Charger(ears)
        with reporting(there, "oak") as hands, running(there, "oak"):
            charger.waits_for(currents(60, 80))
            hands.publish(ROOT + "asked/charge-current/set", "25")
            charger.waits_for(currents(25, 80))
            hands.publish(ROOT + "asked/clear/set", "charge-current")
            charger.waits_for(currents(60, 80))


def follow(ears: Client, follower: Follower) -> None:
    for topic, payload, _ in ears.all():
        # The broker clears the flag for whoever has subscribed before: told by the description.
        device, *path = topic.removeprefix("homie/5/").split("/")
        about: dict[str, object] = {}
        with suppress(KeyError):
            nodes = follower.described[device]["nodes"]
            about = nodes[path[0]]["properties"][path[1]]
        follower.hear(topic, payload.encode(), bool(about.get("retained", True)))


@pytest.mark.source("HOMIE5", "Device Lifecycle, Device Attributes, Property Attributes, Payload")
def test_what_a_broker_carries_keeps_to_the_convention(tmp_path: Path) -> None:
    """Through a restart with another set of packs: versions rise, the pack that left is removed."""
    with (
        broker(tmp_path) as there,
        client(there.port, "homie/5/#") as witness,
        client(there.port, "homie/5/#") as ears,
        reporting(there, "oak", "fir"),
    ):
        for packs in (["oak", "fir"], ["oak"], ["oak"]):
            with running(there, *packs) as process:
                ears.wait_for(ROOT + "limits/hold-for")
                time.sleep(1)
                process.terminate()
                process.wait(10)
            ears.all()
        assert kept_below(there.port, "homie/5/battery-bank-fir/#") == []
        follower = Follower()
        follow(witness, follower)
    assert follower.versions == {
        "battery-bank": [1, 2, 2], "battery-bank-oak": [1, 1, 1], "battery-bank-fir": [1],
    }  # fmt: skip
    assert follower.described["battery-bank"]["children"] == ["battery-bank-oak"]
    assert follower.states == {"battery-bank": "disconnected", "battery-bank-oak": "disconnected"}
    assert follower.values["battery-bank/measured/voltage"] == "53.000"
    assert follower.values["battery-bank-oak/measured/voltage"] == "53.000"


def kept_below(port: int, topics: str, settle_s: float = 0.3) -> list[tuple[str, str, bool]]:
    """What the broker keeps there."""
    with client(port, topics) as late:
        time.sleep(settle_s)
        return late.all()


def kept(port: int, topic: str) -> str:
    """What the broker keeps on one topic, once it has settled."""
    found = kept_below(port, topic)
    assert found[0][2]  # what came first had been kept
    return found[-1][1]


def test_a_gateway_that_hangs_is_lost(tmp_path: Path) -> None:
    """Its connection stands, it says nothing: limits run out first, then its will tells.

    A broker waits one and a half times the keep-alive (MQTT 3.1.1, section 3.1.2.10), and then
    until it looks; this one looks every few seconds.
    """
    with (
        broker(tmp_path) as there,
        client(there.port, "homie/5/#") as ears,
        client(there.port, ROOT + "$state") as states,
        reporting(there, "oak"),
        running(there, "oak") as process,
    ):
        charger = Charger(ears)
        charger.waits_for(some)
        process.send_signal(signal.SIGSTOP)
        assert charger.waits_for(nothing) < HOLD_S + 0.5
        states.wait_for(ROOT + "$state", "lost", within_s=1.5 * KEEPALIVE_S + 10)
        assert kept(there.port, ROOT + "$state") == "lost"
        # Once it goes on, it notices, comes back and says so.
        process.send_signal(signal.SIGCONT)
        states.wait_for(ROOT + "$state", "ready", within_s=20)
        charger.waits_for(some)


def test_a_gateway_that_dies_is_lost_at_once(tmp_path: Path) -> None:
    """A charger that comes later finds limits that the broker kept, and does not go by them."""
    with (
        broker(tmp_path) as there,
        client(there.port, "homie/5/#") as ears,
        reporting(there, "oak"),
    ):
        with running(there, "oak") as process:
            ears.wait_for(ROOT + "limits/hold-for")
            process.kill()
            ears.wait_for(ROOT + "$state", "lost", within_s=1)
        assert kept(there.port, ROOT + "limits/may-charge") in ("true", "false")
        assert kept_below(there.port, ROOT + "limits/hold-for") == []
        with client(there.port, "homie/5/#") as late:
            time.sleep(0.3)
            assert Charger(late).limits() is None


def test_no_word_is_saved_up_for_a_charger_that_is_away(tmp_path: Path) -> None:
    """With a session that the broker keeps, limits come late, but not the word that they hold."""
    with broker(tmp_path) as there, reporting(there, "oak"):
        with client(there.port, "homie/5/#", session="charger"):
            pass
        with running(there, "oak"), client(there.port, "homie/5/#") as ears:
            ears.wait_for(ROOT + "limits/hold-for")
            ears.wait_for(ROOT + "limits/hold-for")
        with client(there.port, "homie/5/#", session="charger") as back:
            back.wait_for(ROOT + "limits/may-charge")
            time.sleep(0.3)
            assert ROOT + "limits/hold-for" not in [topic for topic, _, _ in back.all()]


def test_a_gateway_that_stops_on_purpose_says_so(tmp_path: Path) -> None:
    """The root and its packs, and no will after it."""
    with (
        broker(tmp_path) as there,
        client(there.port, "homie/5/#") as ears,
        reporting(there, "oak"),
    ):
        with running(there, "oak") as process:
            ears.wait_for(ROOT + "limits/hold-for")
            process.terminate()
            assert process.wait(10) == 0
        time.sleep(0.3)
        assert kept(there.port, ROOT + "$state") == "disconnected"
        assert kept(there.port, "homie/5/battery-bank-oak/$state") == "disconnected"


def test_a_will_that_comes_late_is_put_right(tmp_path: Path) -> None:
    """Somebody says `lost` of a gateway that is there."""
    with (
        broker(tmp_path) as there,
        client(there.port, ROOT + "$state") as ears,
        running(there, "oak"),
    ):
        ears.wait_for(ROOT + "$state", "ready")
        time.sleep(0.3)
        ears.publish(ROOT + "$state", "lost", retained=True)
        ears.wait_for(ROOT + "$state", "lost")
        ears.wait_for(ROOT + "$state", "ready", within_s=2)


def test_a_broker_that_forgot_everything_is_told_again(tmp_path: Path) -> None:
    """After its restart all devices are announced anew."""
    with broker(tmp_path) as there, running(there, "oak"):
        with client(there.port, ROOT + "$state") as ears:
            ears.wait_for(ROOT + "$state", "ready")
        there.stop()
        there.start()
        with client(there.port, "homie/5/#") as ears, reporting(there, "oak"):
            ears.wait_for(ROOT + "limits/hold-for", within_s=20)
        assert kept(there.port, ROOT + "$state") == "ready"
        assert json.loads(kept(there.port, ROOT + "$description"))["version"] == 1
