"""A real MQTT broker on this machine, and an independent client: mosquitto, paho."""

import contextlib
import getpass
import queue
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

# Debian keeps servers where a user's PATH does not look.
MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
CONFIG = """\
listener {port} 127.0.0.1
persistence false
user {user}
{more}
"""
ANYBODY = "allow_anonymous true"


def free_port() -> int:
    """Return a port that nobody has now."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Broker:
    """A broker that can be stopped and started again on the same port."""

    def __init__(self, folder: Path, more: str = ANYBODY) -> None:
        self.port = free_port()
        self._config = folder / "broker.conf"
        self._config.write_text(
            CONFIG.format(port=self.port, user=getpass.getuser(), more=more), encoding="utf-8"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it listens."""
        command = [MOSQUITTO, "-c", str(self._config)]
        quiet = subprocess.DEVNULL
        self._process = subprocess.Popen(command, stdout=quiet, stderr=quiet)
        until_s = time.monotonic() + 10
        while time.monotonic() < until_s:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            assert self._process.poll() is None, "the broker ended"
            time.sleep(0.02)
        raise AssertionError("the broker does not listen")

    def stop(self) -> None:
        """End it; retained messages are gone with it."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


@contextlib.contextmanager
def broker(folder: Path, more: str = ANYBODY) -> Iterator[Broker]:
    """Run a broker."""
    made = Broker(folder, more)
    made.start()
    try:
        yield made
    finally:
        made.stop()


Heard = tuple[str, str, bool]  # topic, payload, retained


class Client:
    """An independent client that keeps what it hears, in order."""

    def __init__(self, port: int, *filters: str, session: str = "") -> None:
        self.heard: queue.Queue[Heard] = queue.Queue()
        self._ready: queue.Queue[bool] = queue.Queue()
        self._filters = filters
        self._paho = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=session, clean_session=not session
        )
        self._paho.on_message = self._message
        self._paho.on_connect = self._connected
        self._paho.on_subscribe = lambda *_: self._ready.put(True)
        self._paho.connect("127.0.0.1", port)
        self._paho.loop_start()
        self._ready.get(timeout=10)

    def _connected(self, *_: object) -> None:
        if self._filters:
            self._paho.subscribe([(one, 2) for one in self._filters])
        else:
            self._ready.put(True)

    def _message(self, _: object, __: object, message: paho.MQTTMessage) -> None:
        self.heard.put((message.topic, message.payload.decode(), bool(message.retain)))

    def publish(self, topic: str, payload: str | bytes, retained: bool = False) -> None:
        """Publish, and wait until the broker has it."""
        self._paho.publish(topic, payload, qos=1, retain=retained).wait_for_publish(10)

    def wait_for(self, topic: str, payload: str | None = None, within_s: float = 10) -> Heard:
        """Return the next message with this topic (and payload); others are passed over."""
        until_s = time.monotonic() + within_s
        while True:
            left_s = until_s - time.monotonic()
            assert left_s > 0, f"nothing on {topic} within {within_s} s"
            with contextlib.suppress(queue.Empty):
                found = self.heard.get(timeout=left_s)
                if found[0] == topic and (payload is None or found[1] == payload):
                    return found

    def all(self) -> list[Heard]:
        """Return everything that has been heard and not been asked for yet."""
        found = []
        with contextlib.suppress(queue.Empty):
            while True:
                found.append(self.heard.get_nowait())
        return found

    def close(self) -> None:
        """Leave."""
        self._paho.disconnect()
        self._paho.loop_stop()


@contextlib.contextmanager
def client(port: int, *filters: str, session: str = "") -> Iterator[Client]:
    """Run a client that has subscribed. `session`: the name of one that the broker keeps."""
    made = Client(port, *filters, session=session)
    try:
        yield made
    finally:
        made.close()
