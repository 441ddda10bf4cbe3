"""The owner's register maps: what a file in TOML says (checks.py reads it, and finds what is wrong).

    kind = "registers"
    of = "pack"                      # what a pack tells us; "bank": what we tell others
    word_order = "high_first"        # which register of a 32-bit number comes first
    largest_block = 125              # registers the device allows in one read

    [[groups]]                       # what is read (or served, or written) together
    name = "now"
    function = 4                     # 3 holding, 4 input registers, 1 coils, 2 discrete inputs
    every_ms = 1000
    rows = [
        { field = "voltage_mv", address = 0, type = "u16", unit = "V", scale = 0.01 },
        { field = "cells_mv", address = 20, count = 16 },
    ]

A group is read in one request, so that its numbers belong to one moment; where the device does not
allow so large a block, the group has to say `split = true`, or be two groups.
"""

from typing import Any

from attrs import field as attr
from attrs import frozen

from adapters.meaning import Meaning
from adapters.registers import (
    HOLDING,
    LARGEST_READ,
    LAST_ADDRESS,
    ORDERS,
    READS,
    TYPES,
    Layout,
    within,
)

LONGEST_EVERY_MS = 3_600_000


def one_of(*choices: object) -> Any:
    """Return an attrs validator for one of a few values."""

    def check(_: object, __: object, value: object) -> None:
        if value is not None and value not in choices:
            raise ValueError("one of " + ", ".join(str(choice) for choice in choices))

    return check


@frozen(kw_only=True)
class Row(Meaning):
    """One number of a map: what it means (the keys of Meaning), and where it stands.

    `address`: as on the wire, from 0 (a manual that counts from 1 or from 40001: subtract).
    `count`: for lists, so many numbers, `step` registers apart (0: one after the other).
    `constant`: for field = "constant", the number that always stands there.
    """

    address: int = attr(validator=within(0, LAST_ADDRESS))
    type: str = attr(default="u16", validator=one_of(*TYPES))
    word_order: str | None = attr(default=None, validator=one_of(*ORDERS))  # None: the map's
    byte_order: str | None = attr(default=None, validator=one_of(*ORDERS))
    count: int = attr(default=1, validator=within(1, 125))
    step: int = attr(default=0, validator=within(0, 125))
    constant: int = 0

    @property
    def size(self) -> int:
        """Registers of one number."""
        return TYPES[self.type][0]

    @property
    def addresses(self) -> list[int]:
        """Where each number of the row begins."""
        step = self.step or self.size
        return [self.address + number * step for number in range(self.count)]


@frozen(kw_only=True)
class Group:
    """Rows that belong together. `every_ms`: how often it is read, served anew, or written.
    `keep_ms`: for slow groups of a pack: how long its values count; None: a part of every report.
    `split`: may it take several requests, so that its numbers are of different moments?"""

    name: str
    function: int = attr(default=HOLDING, validator=one_of(*READS))
    every_ms: int = attr(default=1_000, validator=within(20, LONGEST_EVERY_MS))
    keep_ms: int | None = attr(default=None, validator=within(1, LONGEST_EVERY_MS))
    split: bool = False
    rows: list[Row]


@frozen(kw_only=True)
class Write:
    """A register that others may write, and what the owner is taken to ask by it.

    For requests with a value (`cap_charge_current`, ...): the number x scale + offset in `unit`.
    For the others: the numbers in `true` ask, those in `false` clear. `lasts_ms`: how long a wish
    holds unless it is written again; None: until cleared.
    """

    request: str
    address: int = attr(validator=within(0, LAST_ADDRESS))
    type: str = attr(default="u16", validator=one_of(*TYPES))
    word_order: str | None = attr(default=None, validator=one_of(*ORDERS))
    byte_order: str | None = attr(default=None, validator=one_of(*ORDERS))
    unit: str | None = None
    scale: float = 1.0
    offset: float = 0.0
    pack: str | None = None
    true: list[int] = attr(factory=lambda: [1])
    false: list[int] = attr(factory=lambda: [0])
    no_data: list[float] = attr(factory=list)  # numbers that clear the wish
    lasts_ms: int | None = attr(default=None, validator=within(1, 432_000_000))


@frozen(kw_only=True)
class RegisterMap:
    """A whole map. `of`: "pack": what a pack tells; "bank": what the bank tells others."""

    kind: str = attr(default="registers", validator=one_of("registers"))
    of: str = attr(default="pack", validator=one_of("pack", "bank"))
    word_order: str = attr(default="high_first", validator=one_of(*ORDERS))
    byte_order: str = attr(default="high_first", validator=one_of(*ORDERS))
    largest_block: int = attr(default=LARGEST_READ, validator=within(2, LARGEST_READ))
    groups: list[Group]
    writes: list[Write] = attr(factory=list)

    def is_of(self, of: str) -> None:
        """Raise ValueError if this map tells of something else."""
        if self.of != of:
            raise ValueError(f'a map with of = "{of}"; this one has of = "{self.of}"')

    def layout(self, row: Row | Write) -> Layout:
        """Return how a row's numbers lie in their registers."""
        return Layout(
            row.type, row.word_order or self.word_order, row.byte_order or self.byte_order
        )


def blocks(group: Group, largest: int) -> list[tuple[int, int]]:
    """Return the reads (address, count) that cover a group: as few as `largest` registers allow."""
    spans = sorted((start, start + row.size) for row in group.rows for start in row.addresses)
    found: list[tuple[int, int]] = []
    for start, end in spans:
        if found and end - found[-1][0] <= largest:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return [(start, end - start) for start, end in found]
