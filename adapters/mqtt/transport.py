"""The connection to an MQTT broker (extra `mqtt`). An item is (topic, payload, retained, qos).

Sessions are clean: what came while we were away was old, and the broker must not keep it for us.
Nothing piles up: of what comes too fast the oldest is dropped and counted, and of what goes out
only so many messages wait for the broker's word.
"""

import asyncio
import contextlib
import logging
import os
import secrets
import ssl
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

from attrs import evolve, field, frozen
from attrs.validators import in_

from adapters.counts import Counts
from adapters.links import LinkError, MessageLink, Talker, ended, reason

Message = tuple[str, bytes, bool, int]

CONNECT_S = 10.0
FAREWELL_S = 1.0  # for what is under way when we leave
MOST_WAITING = 1_000  # messages that came; more means that we do not keep up
MOST_UNDER_WAY = 20  # messages that the broker has not confirmed yet
LARGEST_SECRET = 1_000
FILES = ("password_file", "ca_file", "certificate_file", "key_file")


class Hears(Protocol):
    """What a talker may offer besides: topics to subscribe to (filters with + and # may stand
    among them; none may overlap another, or messages come twice)."""

    subscriptions: Sequence[str]


class HasWill(Protocol):
    """What a talker may offer besides: what the broker is to publish when we are lost."""

    will: Message


def _between(low: int, high: int) -> Any:
    def check(_: object, __: object, value: int) -> None:
        if not low <= value <= high:
            raise ValueError(f"{low}..{high}")

    return check


class _Tidy(ssl.SSLSocket):
    """Closes itself when the other side is not trusted; the library below leaves it open."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


@frozen(kw_only=True)
class MqttSettings:
    """A broker, and how we make ourselves known to it."""

    # the broker: a name or an address
    host: str
    port: int = field(default=1_883, validator=_between(1, 65_535))  # 8883 is usual with TLS
    user: str = ""  # "": the broker asks for nobody
    # a file with the password as its first line, readable by us alone; it and the files below are
    # named from the folder of SITE.toml
    password_file: str = ""
    password_variable: str = ""  # or: the environment variable that holds it
    client_id: str = ""  # each client its own; "": made up at the start, kept until the end
    # silence after which the broker takes us for lost: 1.5 times this. Shorter: chargers learn
    # sooner that we are gone; longer: a poor radio link causes fewer false alarms.
    keepalive_s: int = field(default=10, validator=_between(2, 600))
    qos: int = field(default=1, validator=in_((0, 1, 2)))  # of subscriptions; 1: nothing is lost
    tls: bool = False  # without it everybody on the network can read along, the password too
    ca_file: str = ""  # certificates we trust; "": those of the system
    certificate_file: str = ""  # our own, where the broker wants one
    key_file: str = ""  # its private key

    def __attrs_post_init__(self) -> None:
        if self.password_file and self.password_variable:
            raise ValueError("password_file or password_variable, not both")
        if (self.password_file or self.password_variable) and not self.user:
            raise ValueError("a user for the password")
        if (self.ca_file or self.certificate_file or self.key_file) and not self.tls:
            raise ValueError("tls = true where there are certificates")

    def beside(self, folder: Path) -> "MqttSettings":
        """Return the settings with their files named from a folder; whole paths stay."""
        files: dict[str, Any] = {
            name: str(folder / getattr(self, name)) for name in FILES if getattr(self, name)
        }
        return evolve(self, **files)

    def password(self) -> str | None:
        """Return the password, or None. Raises LinkError: it cannot be had."""
        if self.password_variable:
            found = os.environ.get(self.password_variable)
            if found is None:
                raise LinkError(f"the environment has no {self.password_variable}; set it")
            return found
        if not self.password_file:
            return None
        try:
            with Path(self.password_file).open("rb") as file:
                lines = file.read(LARGEST_SECRET).decode().splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise LinkError(f"{self.password_file}: no password: {reason(error)}") from None
        return lines[0] if lines else ""

    def tls_context(self) -> ssl.SSLContext | None:
        """Return how the connection is secured, or None. Raises LinkError."""
        if not self.tls:
            return None
        try:
            context = ssl.create_default_context(cafile=self.ca_file or None)
            if self.certificate_file:
                context.load_cert_chain(self.certificate_file, self.key_file or None)
        except OSError as error:  # ssl.SSLError is one
            raise LinkError(f"certificates of {self.host}: {reason(error)}") from None
        context.sslsocket_class = _Tidy
        return context


class MqttTransport:
    """One connection to one broker, for talkers that may offer `subscriptions` and one `will`."""

    def __init__(self, settings: MqttSettings, talkers: Sequence[object] = ()) -> None:
        self.counts = Counts()
        self._settings = settings
        self._client_id = settings.client_id or "packyoke-" + secrets.token_hex(4)
        topics = [one for talker in talkers for one in getattr(talker, "subscriptions", ())]
        self._topics = list(dict.fromkeys(topics))
        wills = [talker.will for talker in talkers if hasattr(talker, "will")]
        if len(wills) > 1:
            raise ValueError("one talker with a last will on a link; give each a link of its own")
        self._will: Message | None = wills[0] if wills else None
        self._client: Any = None
        self._under_way: set[asyncio.Task[None]] = set()
        self._failed: Exception | None = None

    async def open(self) -> None:
        import aiomqtt

        chosen = self._settings
        client = aiomqtt.Client(
            chosen.host,
            chosen.port,
            identifier=self._client_id,
            username=chosen.user or None,
            password=chosen.password(),
            tls_context=chosen.tls_context(),
            keepalive=chosen.keepalive_s,
            clean_session=True,
            will=self._last_will(),
            timeout=CONNECT_S,
            queue_type=_bounded(self.counts),
            max_queued_incoming_messages=MOST_WAITING,
            max_queued_outgoing_messages=2 * MOST_UNDER_WAY,
            logger=_silent(),
        )
        client.pending_calls_threshold = 2 * MOST_UNDER_WAY
        self._client, self._failed = client, None
        try:
            async with asyncio.timeout(CONNECT_S):
                await client.__aenter__()
        except (aiomqtt.MqttError, OSError, ValueError, TimeoutError) as error:
            raise LinkError(
                self._told(error, "is the broker running, and does it know us?")
            ) from None
        try:
            if self._topics:
                granted: Any = await client.subscribe([(one, chosen.qos) for one in self._topics])
                refused = [
                    topic
                    for topic, code in zip(self._topics, granted, strict=True)
                    if int(getattr(code, "value", code)) >= 0x80
                ]
                if refused:
                    raise LinkError(self._told(f"the broker does not let us hear {refused[0]}"))
        except aiomqtt.MqttError as error:
            raise LinkError(self._told(error)) from None

    def _last_will(self) -> Any:
        if self._will is None:
            return None
        import aiomqtt

        topic, payload, retained, qos = self._will
        return aiomqtt.Will(topic, payload, qos=qos, retain=retained)

    def _told(self, error: BaseException | str, remedy: str = "") -> str:
        text = error if isinstance(error, str) else reason(error)
        where = f"{self._settings.host}:{self._settings.port}"
        return f"{where}: {text}" + (f": {remedy}" if remedy else "")

    async def receive(self) -> Message:
        import aiomqtt

        try:
            message = await anext(aiter(self._client.messages))
        except aiomqtt.MqttError as error:
            raise LinkError(self._told(error)) from None
        payload = message.payload if isinstance(message.payload, bytes) else b""
        return str(message.topic), payload, bool(message.retain), int(message.qos)

    async def send(self, item: Message) -> None:
        """Hand a message over; wait only if too many are still without the broker's word."""
        while len(self._under_way) >= MOST_UNDER_WAY and self._failed is None:
            await asyncio.wait(self._under_way, return_when=asyncio.FIRST_COMPLETED)
        if self._failed is not None:
            raise LinkError(self._told(self._failed))
        task = asyncio.create_task(self._publish(item))
        self._under_way.add(task)
        task.add_done_callback(self._under_way.discard)
        await asyncio.sleep(0)  # it starts now: messages keep their order

    async def _publish(self, item: Message) -> None:
        import aiomqtt

        topic, payload, retained, qos = item
        try:
            await self._client.publish(topic, payload, qos=qos, retain=retained)
        except (aiomqtt.MqttError, OSError, ValueError) as error:
            self._failed = error

    async def close(self) -> None:
        client, self._client = self._client, None
        if self._under_way:
            if self._failed is None:
                await asyncio.wait(self._under_way, timeout=FAREWELL_S)
            await ended(self._under_way)
        if client is not None:
            with contextlib.suppress(Exception):  # it is lost anyway
                async with asyncio.timeout(FAREWELL_S):
                    await client.__aexit__(None, None, None)


def _bounded(counts: Counts) -> type[asyncio.Queue[Any]]:
    """Return a queue that drops the oldest when it is full: the newest is what counts."""

    class Newest(asyncio.Queue[Any]):
        def put_nowait(self, item: Any) -> None:
            if self.full():
                self.get_nowait()
                counts.drop("messages come faster than they can be taken")
            super().put_nowait(item)

    return Newest


def _silent() -> logging.Logger:
    """Return a logger that says nothing: what goes wrong is counted and told by the link."""
    logger = logging.getLogger("packyoke.mqtt")
    logger.disabled = True
    return logger


def mqtt_link(
    name: str, settings: MqttSettings, talkers: Sequence[Talker[Message]]
) -> MessageLink[Message]:
    """Return a link to a broker. Raises ValueError: two of the talkers have a last will."""
    return MessageLink(name, MqttTransport(settings, talkers), talkers)
