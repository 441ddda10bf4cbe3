"""A decoder under fuzz, and what must hold of everything that it hands over."""

from collections.abc import Callable, Iterator
from math import isfinite
from random import Random
from typing import Any

from attrs import frozen

from aggregator import BusReport, PackReport, Request
from aggregator.report import BUS_INTS, REPORT_FLAGS, REPORT_INTS, bad_int

LONGEST = 64  # bytes of an input that is all noise


@frozen
class Decoder:
    """`make` a talker, `items` out of bytes for it, and some `right` bytes to start from."""

    name: str
    make: Callable[[], Any]
    items: Callable[[bytes], Iterator[Any]]
    right: list[bytes]


@frozen
class Understood:
    """What somebody makes of a message who hands no records to a bank: what a charger would obey, or
    how much a pack would answer."""

    numbers: tuple[float, ...]


def inputs(decoder: Decoder, random: Random) -> Iterator[bytes]:
    """Yield noise, and right messages with a few bytes changed, cut off or doubled, in turn."""
    while True:
        yield random.randbytes(random.randrange(LONGEST))
        data = bytearray(random.choice(decoder.right or [b""]))
        for _ in range(random.choice((0, 1, 1, 2, 4))):
            if data:
                data[random.randrange(len(data))] = random.randrange(256)
        if random.random() < 0.1:
            del data[random.randrange(len(data) + 1) :]
        yield bytes(data)


def throw(decoder: Decoder, count: int, seed: int) -> int:
    """Throw `count` inputs; return how many records came of them. Raises AssertionError."""
    random = Random(f"{decoder.name} {seed}")
    talker, came, now_ms = decoder.make(), 0, 0
    for number, data in enumerate(inputs(decoder, random)):
        if number >= count:
            return came
        now_ms = now_ms + random.choice((1, 50, 1_000)) & 0x3FFFFFFF
        try:
            for item in decoder.items(data):
                for record in talker.received(item, now_ms) or ():
                    came += 1
                    wrong = impossible(record)
                    assert wrong is None, wrong
        except Exception as error:
            raise AssertionError(
                f"{decoder.name}: input {number}, {data.hex()}: {error!r}"
            ) from error
    return came


def impossible(record: object) -> str | None:
    """Say what a record may never carry: a number out of its range, a code in the place of "unknown"."""
    if isinstance(record, PackReport):
        wrong = bad_int(record, REPORT_INTS)
        if wrong is not None:
            return str(wrong)
        flags = [name for name in REPORT_FLAGS if getattr(record, name) not in (None, True, False)]
        return f"{flags[0]} is no flag" if flags else None
    if isinstance(record, BusReport):
        wrong = bad_int(record, BUS_INTS)
        return None if wrong is None else str(wrong)
    if isinstance(record, Understood):
        wrong = [one for one in record.numbers if not (isfinite(one) and one >= 0)]
        return f"{wrong[0]} is nothing to obey" if wrong else None
    return None if isinstance(record, Request) else f"{record!r} is no record"
