"""Files as owners write them, changed at random: each is read, or told what is wrong with it."""

import json
import re
import signal
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from pathlib import Path
from random import Random
from types import FrameType

from attrs import frozen

from adapters.can.map_file import load_map as load_dbc
from adapters.cli.scenario_file import load_scenario
from adapters.config import load_settings
from adapters.framed.description import load_map as load_frames
from adapters.gateway.site_file import load_site
from adapters.modbus import load_map as load_registers
from adapters.mqtt.topic_map import load_map as load_topics
from adapters.toml_file import BadFileError
from conformance.vectors import FOLDER, VectorError, load_file
from tests.day.maps import Places, write_site

PATIENCE_S = 20  # none takes a tenth of a second
SCENARIO = """
title = "a fuzzed day (invented)"
seed = 3
[[packs]]
pack = "oak"
capacity_ah = 200
charge = 0.5
[charger]
limits = "output"
[[faults]]
kind = "drop"
pack = "oak"
start_s = 1
stop_s = 5.5
"""
SETTINGS = """
fresh_ms = 5_000
[[packs]]
pack = "oak"
capacity_mah = 200_000
opens_path_on_refusal = true
"""
PACK = """
[[packs]]
pack = "{pack}"
capacity_mah = 80_000
"""
VALUE = re.compile(rb'(?<=[=:,\[ |@(])\s*("[^"\n]*"|-?[0-9._]+|true|false)')
STRANGE = (
    *(b"nan", b"inf", b"1e999", b"1e308", b"-1", b"0", b"-0.0", b"true", b'""', b"[]", b"{}"),
    *(b"9" * 18, b"9" * 400, b"9" * 5_000, b"0x" + b"f" * 5_000, b"[" * 3_000, b"1979-05-27"),
    *(b"\xff", b"\0", b"\r", b"\n", b'"\\u0000"', b'"a\\nb"', b'"' + b"x" * 500 + b'"'),
    *('"\u00b2"'.encode(), "\u0663".encode(), b"a.b = 1"),  # two that are digits to some
)


@frozen
class Kind:
    """`file` is changed, and `read` by way of `entry`, which may name it."""

    file: str
    entry: str
    read: Callable[[Path], object]


KINDS = (
    Kind("SITE.toml", "SITE.toml", load_site),
    Kind("day.toml", "day.toml", load_scenario),
    Kind("bank-alone.toml", "bank-alone.toml", load_settings),
    Kind("oak.toml", "oak.toml", load_dbc),
    Kind("oak.dbc", "oak.toml", load_dbc),
    Kind("ash.toml", "ash.toml", load_registers),
    Kind("bank.toml", "bank.toml", load_registers),
    Kind("elm.toml", "elm.toml", load_topics),
    Kind("board.toml", "board.toml", load_frames),
    Kind("vectors.json", "vectors.json", load_file),
)


def complete(folder: Path) -> None:
    """Write what `every_decoder` has not written into the folder."""
    places = Places(can="can0", serial="ttyS0", modbus_port=1, mqtt_port=1, sunspec_port=1)
    packs = "".join(PACK.format(pack=pack) for pack in ("oak", "ash", "elm", "fir"))
    write_site(
        folder, places, packs, fresh_ms=15_000, unheard_ms=90_000, absorption_ms=600_000,
        every_ms=1_000, record="bank.log",
    )  # fmt: skip
    (folder / "day.toml").write_text(SCENARIO, encoding="utf-8")
    (folder / "bank-alone.toml").write_text(SETTINGS, encoding="utf-8")
    vectors = json.loads((FOLDER / "v1" / "limits.json").read_text(encoding="utf-8"))
    vectors["cases"] = vectors["cases"][:3]
    (folder / "vectors.json").write_text(json.dumps(vectors), encoding="utf-8")


def each_value_strange(right: bytes) -> Iterator[bytes]:
    """Yield the file with each of its values in turn exchanged for each of the strange ones."""
    for found in VALUE.finditer(right):
        for strange in STRANGE:
            yield right[: found.start(1)] + strange + right[found.end(1) :]


def changed(right: bytes, random: Random) -> Iterator[bytes]:
    """Yield the file with a few pieces lost, doubled, or exchanged for something strange."""
    while True:
        data = bytearray(right)
        for _ in range(random.choice((1, 1, 2, 4))):
            at = random.randrange(len(data) + 1)
            end = at + random.choice((0, 1, 3, 30, 100))
            piece = random.choice((b"", *STRANGE, random.randbytes(1), bytes(data[at:end]) * 2))
            data[at:end] = piece
        yield bytes(data)


def hostile(right: bytes, random: Random, each: int) -> Iterator[bytes]:
    """Yield up to so many of the strange ones, and as many that are changed at random."""
    strange = list(each_value_strange(right))
    yield from random.sample(strange, min(each, len(strange)))
    yield from islice(changed(right, random), each)


def wrong_with(folder: Path, kind: Kind, data: bytes) -> str | None:
    """Say what is wrong with how this file is read, or None."""
    (folder / kind.file).write_bytes(data)
    try:
        kind.read(folder / kind.entry)
    except (BadFileError, VectorError) as error:
        told = getattr(error, "complaints", [str(error)])
        several = [one for one in told if "\n" in one or not one.strip()]
        return f"not one line: {several[0]!r}" if several or not told else None
    except Exception as error:
        return f"{type(error).__name__}: {error}"
    return None


def read_all(folder: Path, kind: Kind, changes: Iterable[bytes]) -> int:
    """Read the changed files; return how many. Raises AssertionError with the first bad one."""

    def late(number: int, frame: FrameType | None) -> None:
        raise TimeoutError(f"not read within {PATIENCE_S} s")

    right = (folder / kind.file).read_bytes()
    before = signal.signal(signal.SIGALRM, late)
    count = 0
    try:
        for data in changes:
            signal.alarm(PATIENCE_S)
            wrong = wrong_with(folder, kind, data)
            signal.alarm(0)
            assert wrong is None, f"{kind.file}: {wrong[:300]}\n{data[:3_000]!r}"
            count += 1
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
        (folder / kind.file).write_bytes(right)
    return count
