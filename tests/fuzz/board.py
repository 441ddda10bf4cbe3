"""The decoders that run on boards, for fuzzing: each makes a talker, and items out of any bytes."""

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from adapters.jsonlines.lines_in import LinesIn
from adapters.rvc.charger import RvcCharger
from adapters.rvc.frames import EXTENDED, SOURCE_COMMAND, SOURCE_STATUSES, identifier
from adapters.rvc.opposite import pack_frames
from adapters.rvc.pack import RvcPack
from adapters.rvc.settings import SaysRvc
from adapters.rvc.source import RvcSource
from aggregator import PackReport

INSTANCE = 1
OWN_MV, OWN_MA = 57_600, 100_000  # a charger's own settings
# What a frame may be about, so that fuzzing reaches what is behind each.
DGNS = (*SOURCE_STATUSES, SOURCE_COMMAND, 0xEAFF, 0xEA00 | 175, 0xEEFF, 0xE8FF)


def json_lines() -> LinesIn:
    """Hears JSON lines of up to 512 bytes."""
    return LinesIn(longest_line=512)


def chunks(data: bytes) -> Iterator[bytes]:
    """Cut bytes into chunks; the first byte says how long they are."""
    size = 1 + (data[0] if data else 0)
    for start in range(0, len(data), size):
        yield data[start : start + size]


def rvc_source() -> RvcSource:
    """Speaks for DC instance 1."""
    talker = SaysRvc(instance=INSTANCE, manufacturer_code=0, identity_number=1).talker()
    talker.opened(0)
    return talker


def rvc_pack() -> RvcPack:
    """Hears DC instance 1."""
    return RvcPack("oak", INSTANCE, 50_000, 50_000)


def rvc_charger() -> RvcCharger:
    """Obeys DC instance 1."""
    return RvcCharger(INSTANCE, OWN_MV, OWN_MA)


def rvc_frames(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Frames out of bytes: mostly of DGNs that mean something, for instance 1 or any other."""
    for start in range(0, len(data), 12):
        piece = data[start : start + 12]
        kind, source, rest = piece[0], piece[-1], piece[1:9]
        if kind < 200:
            if kind & 1:
                rest = bytes([INSTANCE]) + rest[1:]
            yield identifier(DGNS[kind % len(DGNS)], source), rest
        else:
            yield int.from_bytes(piece[:4], "little") & (EXTENDED | 0x1FFFFFFF), rest


def right_frames() -> list[bytes]:
    """Bytes that `rvc_frames` makes a pack's good frames of."""
    said = PackReport(
        "oak", 1, voltage_mv=53_120, current_ma=-32_000, soc_permille=811, capacity_mah=300_000,
        charge_allowed=True, charge_voltage_limit_mv=56_800, charge_current_limit_ma=100_000,
    )  # fmt: skip
    pieces = as_bytes(pack_frames(said, INSTANCE))
    return [pieces, pieces[-12:]]


def as_bytes(frames: Iterable[tuple[int, bytes]]) -> bytes:
    """Bytes that `rvc_frames` makes these frames of, of source 70."""
    pieces = b""
    for number, data in frames:
        kind = DGNS.index(number >> 8 & 0x1FFFF)
        kind += 0 if kind & 1 else len(DGNS)
        pieces += bytes([kind]) + data + bytes([0, 0, 70])
    return pieces


# name, how the talker is made, how bytes become its items
DECODERS: tuple[tuple[str, Callable[[], Any], Callable[[bytes], Iterator[Any]]], ...] = (
    ("json lines", json_lines, chunks),
    ("rv-c source", rvc_source, rvc_frames),
    ("rv-c pack", rvc_pack, rvc_frames),
    ("rv-c charger", rvc_charger, rvc_frames),
)
