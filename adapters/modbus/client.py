"""The client's side of a bus (extra `modbus`): one request at a time, over TCP, RTU, or RTU over TCP.

RTU has no transaction numbers: an answer that comes too late could be taken for that to the next
request. So after a time-out the line is left alone for as long again, and what comes then is thrown
away. The library below neither repeats requests nor connects again by itself; links do. Nor does it
hang up when a few devices in a row are silent: others behind the same connection may be well.
"""

import asyncio
import logging
from typing import Any

from attrs import field, frozen
from attrs.validators import in_

from adapters.links import LinkError, reason
from adapters.registers import BITS, WRITE_ONE, Answer, Ask, ClientItem, within

MOST_WAITING = 64  # answers; a link takes each at once
SILENT_S = 60.0  # nobody behind a TCP connection has answered for so long: it is made anew
NEVER = 1 << 30  # unanswered requests until the library hangs up
READ = {
    1: "read_coils",
    2: "read_discrete_inputs",
    3: "read_holding_registers",
    4: "read_input_registers",
}
# What the standard's exceptions mean (MODBUS, section 7).
EXCEPTIONS = {
    1: "illegal function",
    2: "illegal address",
    3: "illegal value",
    4: "device failure",
    5: "acknowledge",
    6: "device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target does not answer",
}


@frozen(kw_only=True)
class _Line:
    """How requests follow each other."""

    # An answer has to come within this time [ms]. Longer suits slow boards; shorter lets the
    # others on the line have their turn sooner when one is silent. A link gives a request 2 s,
    # the gap and a rest after a time-out included.
    timeout_ms: int = field(default=500, validator=within(20, 850))
    # Silence between an answer and the next request [ms]; some boards need 20 to 50.
    gap_ms: int = field(default=0, validator=within(0, 200))


@frozen(kw_only=True)
class TcpSettings(_Line):
    """A server, or a gateway to a serial line. `framing`: "tcp", or "rtu" for converters that pass
    serial frames through as they are."""

    # a name or an address
    host: str
    # 1..65535; 502 is the standard's
    port: int = field(default=502, validator=within(1, 65_535))
    # tcp, or rtu for converters that pass serial frames through
    framing: str = field(default="tcp", validator=in_(("tcp", "rtu")))

    def client(self, library: Any) -> Any:
        """Return the library's client."""
        framer = library.FramerType.RTU if self.framing == "rtu" else library.FramerType.SOCKET
        return library.client.AsyncModbusTcpClient(
            self.host, port=self.port, framer=framer, timeout=self.timeout_ms / 1_000, retries=0,
            reconnect_delay=0,
        )  # fmt: skip

    async def attempt(self) -> None:
        """Connect, and close. Raises OSError."""
        _, writer = await asyncio.open_connection(self.host, self.port)
        writer.close()

    @property
    def place(self) -> str:
        """Where it connects to, for people."""
        return f"{self.host}:{self.port}"

    silent_s = SILENT_S

    @property
    def numbered(self) -> bool:
        """Do answers carry the number of their request?"""
        return self.framing == "tcp"


@frozen(kw_only=True)
class RtuSettings(_Line):
    """A serial line (RS-485 or RS-232), eight data bits. The standard's default is even parity;
    most boards use none."""

    port: str  # /dev/ttyUSB0; a name under /dev/serial/by-id/ stays the same after a restart
    # bit/s, 300..4000000; the device's papers say
    baud: int = field(default=9_600, validator=within(300, 4_000_000))
    # N none, E even, O odd
    parity: str = field(default="N", validator=in_(("N", "E", "O")))
    # 1 or 2
    stop_bits: int = field(default=1, validator=in_((1, 2)))
    # silence between an answer and the next request [ms], 0..200; some boards need 20 to 50
    gap_ms: int = field(default=20, validator=within(0, 200))
    numbered = False
    silent_s = float("inf")  # a port that is gone says so

    def client(self, library: Any) -> Any:
        """Return the library's client."""
        return library.client.AsyncModbusSerialClient(
            self.port, framer=library.FramerType.RTU, baudrate=self.baud, parity=self.parity,
            stopbits=self.stop_bits, timeout=self.timeout_ms / 1_000, retries=0, reconnect_delay=0,
        )  # fmt: skip

    async def attempt(self) -> None:
        """Open the port, and close it. Raises OSError."""
        import serial  # comes with the extra

        (await asyncio.to_thread(serial.Serial, self.port)).close()

    @property
    def place(self) -> str:
        """Which port it opens, for people."""
        return self.port


class ClientTransport:
    """Sends requests, brings answers. A silent or unwilling device is an answer without words; a
    lost connection is a LinkError."""

    def __init__(self, settings: TcpSettings | RtuSettings) -> None:
        self._settings = settings
        self._client: Any = None
        self._answers: asyncio.Queue[Answer] = asyncio.Queue(MOST_WAITING)
        self._free_s = 0.0  # not before this moment may a request go out
        self._heard_s = 0.0  # when somebody answered last

    async def open(self) -> None:
        library = pymodbus()
        self._answers = asyncio.Queue(MOST_WAITING)
        self._client = self._settings.client(library)
        self._client.set_max_no_responses(NEVER)
        try:
            connected = await self._client.connect()
        except Exception as error:  # pyserial's errors, above all
            raise LinkError(f"{self._settings.place}: {reason(error)}") from None
        if not connected:
            why = await self._why_not()
            raise LinkError(f"{self._settings.place}: no connection{why}; is it there, and free?")
        self._heard_s = asyncio.get_running_loop().time()

    async def _why_not(self) -> str:
        """Try once more without the library, which keeps the system's reason to itself."""
        try:
            async with asyncio.timeout(self._settings.timeout_ms / 1_000):
                await self._settings.attempt()
        except OSError as error:  # TimeoutError is one of them
            return f": {reason(error)}"
        return ""

    async def receive(self) -> ClientItem:
        return await self._answers.get()

    async def send(self, item: ClientItem) -> None:
        assert isinstance(item, Ask)
        clock = asyncio.get_running_loop().time
        await asyncio.sleep(max(0.0, self._free_s - clock()))
        if self._client is None or not self._client.connected:
            raise LinkError(f"{self._settings.place}: the connection was lost")
        if clock() - self._heard_s > self._settings.silent_s:
            text = f"nobody has answered for {self._settings.silent_s:.0f} s; is it still there?"
            raise LinkError(f"{self._settings.place}: {text}")
        answer, late = await self._asked(item)
        self._heard_s = self._heard_s if late else clock()
        rest_ms = self._settings.timeout_ms if late and not self._settings.numbered else 0
        self._free_s = clock() + max(rest_ms, self._settings.gap_ms) / 1_000
        if self._answers.full():
            self._answers.get_nowait()  # nobody takes them: the link is about to end
        self._answers.put_nowait(answer)

    async def _asked(self, ask: Ask) -> tuple[Answer, bool]:
        """Return what came of a request, and whether something may still come."""
        who = f"device {ask.device}, function {ask.function}, {ask.address}"
        try:
            got = await self._request(ask)
        except Exception as error:  # the library's own, without a base in common with the system's
            silent = "No response" in str(error)
            return Answer(ask, None, f"{who}: {'no answer' if silent else reason(error)}"), True
        if got.function_code & 0x7F != ask.function:  # the library lets it pass
            return Answer(ask, None, f"{who}: an answer to function {got.function_code}"), True
        if got.isError():
            code = got.exception_code
            return Answer(ask, None, f"{who}: {EXCEPTIONS.get(code, f'exception {code}')}"), False
        if ask.words:
            return Answer(ask, ask.words), False
        words = got.registers
        if ask.function in BITS:  # filled up to whole bytes
            words = [int(bit) for bit in got.bits[: ask.count]]
        if len(words) != ask.count:
            trouble = f"{who}: {len(words)} registers instead of {ask.count}"
            return Answer(ask, None, trouble), True
        return Answer(ask, tuple(words)), False

    async def _request(self, ask: Ask) -> Any:
        if not ask.words:
            read = getattr(self._client, READ[ask.function])
            return await read(ask.address, count=ask.count, device_id=ask.device)
        if ask.function == WRITE_ONE:
            return await self._client.write_register(
                ask.address, ask.words[0], device_id=ask.device
            )
        return await self._client.write_registers(
            ask.address, list(ask.words), device_id=ask.device
        )

    async def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()


def pymodbus() -> Any:
    """Return the library, told to keep quiet: what goes wrong is counted here, not printed."""
    import pymodbus
    import pymodbus.client
    import pymodbus.server

    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    return pymodbus
