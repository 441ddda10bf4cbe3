"""Levels to files, on a host: a GPIO line's value file, or any other file. The transport.

Tried with plain files only, not yet with a relay. Lines must be set up as outputs beforehand, and so
that a host that is off leaves its contacts open.
"""

import asyncio
import contextlib
from pathlib import Path

from adapters.contacts.pins import Output, Pins
from adapters.links import LinkError, reason

HOLD_S = 5.0  # levels that are not said again for so long are given up: all contacts open
LOOK_S = 0.5


class FileLine(Output):
    """A line that is a file: "1" or "0" is written to it."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def value(self, level: int) -> None:
        with self._path.open("r+b", buffering=0) as file:
            file.write(b"1\n" if level else b"0\n")


class ContactsTransport:
    """Drives contacts; opens them all when nobody tells their levels any more."""

    def __init__(self, outputs: dict[str, Output], inverted: tuple[str, ...] = ()) -> None:
        self._outputs = outputs
        self._inverted = inverted
        self._pins: Pins | None = None
        self._told_s = 0.0

    async def open(self) -> None:
        try:
            self._pins = Pins(self._outputs, self._inverted)
        except OSError as error:
            raise LinkError(f"a contact's line: {reason(error)}: is it set up as output?") from None
        self._told_s = asyncio.get_running_loop().time()

    async def receive(self) -> tuple[str, bool]:
        """Wait until the levels have not been told for too long; then fail."""
        while asyncio.get_running_loop().time() - self._told_s < HOLD_S:
            await asyncio.sleep(LOOK_S)
        raise LinkError("no levels for 5 s: all contacts opened")

    async def send(self, item: tuple[str, bool]) -> None:
        assert self._pins is not None  # after open
        self._pins.set(*item)
        self._told_s = asyncio.get_running_loop().time()

    async def close(self) -> None:
        pins, self._pins = self._pins, None
        if pins is not None:
            with contextlib.suppress(OSError):  # a line that is gone cannot be opened
                pins.open_all()
