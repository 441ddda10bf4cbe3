"""The tables of an owner's DBC map, as they stand in its TOML file.

    kind = "dbc"
    dbc = "old-pack.dbc"
    ids = "j1939"

    [[messages]]
    message = "STATE"

      [[messages.signals]]
      signal = "PackVoltage"
      field = "voltage_mv"

The same map reads a pack's frames and writes them, and reads and writes those for chargers: it says
what frames mean, not who sends them.
"""

from collections.abc import Callable
from typing import Any, Literal

from attrs import field as attr
from attrs import frozen

from adapters.checksums import ChecksumSettings
from adapters.meaning import Meaning

SHORTEST_PERIOD_MS, LONGEST_PERIOD_MS = 10, 3_600_000


def between(low: int, high: int) -> Callable[[Any, Any, Any], None]:
    """Return a validator: a whole number from `low` to `high`, or left out."""

    def check(_: object, __: object, value: int | None) -> None:
        if value is not None and not low <= value <= high:
            raise ValueError(f"a whole number from {low} to {high}")

    return check


@frozen(kw_only=True)
class SignalRow(Meaning):
    """What one signal means; the keys of Meaning besides.

    `unit`: what the number is in after the DBC's own scale and offset; left out: the DBC's unit.
    `no_data`, `true`, `false`, `bit`, `bits` speak of the number as it stands in the frame.
    """

    signal: str  # its name in the DBC


@frozen(kw_only=True)
class ConstantRow:
    """A signal that always says the same; only for frames that are sent."""

    signal: str
    value: float  # as the DBC scales it


@frozen(kw_only=True)
class CodeRow:
    """A signal that names the stage of the charge by a number; only for frames that are sent."""

    signal: str
    field: Literal["stage"]
    codes: dict[str, int]  # number in the frame for each of bulk, absorption, float, paused


@frozen(kw_only=True)
class CounterRow:
    """A signal that counts the frames. One that stands still is an old frame: refused."""

    signal: str
    step: int = attr(default=1, validator=between(1, 255))  # from one frame to the next
    modulo: int | None = attr(default=None, validator=between(2, 1 << 32))  # left out: all it holds


@frozen(kw_only=True)
class ChecksumRow(ChecksumSettings):
    """A signal that holds a checksum. A frame with a wrong one is refused."""

    signal: str
    # First and last byte it is made over, from 0; left out: all bytes but those it stands in.
    # Its own bits count as 0.
    first_byte: int = attr(default=0, validator=between(0, 63))
    last_byte: int | None = attr(default=None, validator=between(0, 63))


@frozen(kw_only=True)
class MessageRow:
    """One message of the DBC. Multiplexed signals need nothing: the DBC tells when they stand there."""

    message: str  # its name in the DBC
    signals: list[SignalRow] = attr(factory=list)
    constants: list[ConstantRow] = attr(factory=list)
    codes: list[CodeRow] = attr(factory=list)
    counter: CounterRow | None = None
    checksum: ChecksumRow | None = None
    # Reading: a slow message counts for so long; left out: it belongs to every cycle.
    keep_ms: int | None = attr(default=None, validator=between(100, LONGEST_PERIOD_MS))
    # Reading: take frames from this many bytes on, what is missing being unknown; left out: whole.
    shortest: int | None = attr(default=None, validator=between(1, 64))
    # Sending: how often.
    period_ms: int = attr(default=1000, validator=between(SHORTEST_PERIOD_MS, LONGEST_PERIOD_MS))
    # Sending: true: no charger obeys it, so it is sent even when nothing else may be.
    telemetry: bool = False
    # Sending: the value of bits that no signal of the map fills.
    unused_bits: int = attr(default=0, validator=between(0, 1))


def _hex(_: object, __: object, text: str) -> None:
    try:
        data = bytes.fromhex(text)
    except ValueError:
        data = bytes(9)
    if len(data) > 8:
        raise ValueError("up to 8 bytes in hex")


@frozen(kw_only=True)
class RequestRow:
    """A frame that is sent to a pack which speaks only when it is asked.

    `id_offset` of the talker is added to its id; a J1939 id that has a destination gets the unit's
    source address there.
    """

    id: int = attr(validator=between(0, 0x1FFFFFFF))
    extended: bool = False  # 29 bits; ids above 7FFh always are
    data: str = attr(default="", validator=_hex)  # in hex
    every_ms: int = attr(default=1000, validator=between(SHORTEST_PERIOD_MS, LONGEST_PERIOD_MS))


@frozen(kw_only=True)
class MapFile:
    """A DBC map."""

    kind: Literal["dbc"]
    dbc: str  # the DBC file, relative to the map's own folder
    messages: list[MessageRow]
    requests: list[RequestRow] = attr(factory=list)
    # How ids match. exact: as in the DBC. j1939: by the parameter group number alone, whatever
    # the priority, and the source address as the talker's settings say.
    ids: Literal["exact", "j1939"] = "exact"
    # Codes of numbers of 8 bits and more that mean "no data", besides each row's own: none; the
    # highest number; the three highest; or those of SAE J1939 (the highest byte FBh and above).
    no_data: Literal["none", "top", "top-3", "j1939"] = "top"
