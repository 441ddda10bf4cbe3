"""Decoders of CAN frames to feed with anything: name -> how to make one. `frames` turns bytes into items."""

import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from adapters.can.hears import DbcPack, HearsSettings
from adapters.can.map_file import EXTENDED, Map, load_map
from adapters.nmea2000.groups import GROUPS
from adapters.nmea2000.hears import HearsNmea2000, Nmea2000Pack
from adapters.nmea2000.packets import Frame, identifier
from adapters.nmea2000.says import Nmea2000Bank, SaysNmea2000
from tests.can_map import example

# Ids that somebody here listens to, and some that nobody does.
IDS = (
    0x300, 0x310, 0x320, 0x330, *(identifier(number, 35) for number in GROUPS),
    identifier(59_904, 9), 0x98FF0600, 0x7FF, EXTENDED | 0x1FFFFFFF,
)  # fmt: skip


@cache
def brook() -> Map:
    """The pack of docs/how-to/can-dbc.md."""
    with tempfile.TemporaryDirectory() as folder:
        example(Path(folder))
        return load_map(Path(folder) / "brook.toml")


DECODERS: dict[str, Callable[[], Any]] = {
    "dbc": lambda: DbcPack(HearsSettings(map="", pack="oak"), brook()),
    "nmea-2000 pack": lambda: Nmea2000Pack(HearsNmea2000(instance=0, pack="oak")),
    "nmea-2000 bank": lambda: Nmea2000Bank(SaysNmea2000()),
}


def frames(data: bytes) -> list[Frame]:
    """Return any bytes as frames: a byte for the id, one for the length, and so many of data."""
    found = []
    at = 0
    while at + 2 <= len(data):
        length = data[at + 1] % 9
        found.append((IDS[data[at] % len(IDS)], data[at + 2 : at + 2 + length]))
        at += 2 + length
    return found
