"""The bank's snapshot on disk: written whole or not at all, and taken up at the next start."""

import json
import os
from collections.abc import Mapping
from pathlib import Path

from aggregator import Aggregator
from aggregator.plain import json_text
from aggregator.requests import FOREVER

SAVE_EVERY_S = 60.0
LARGEST_BYTES = 1_000_000


class Keeper:
    """Keeps a bank's snapshot in one file; None: keeps nothing."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._latched: list[tuple[str, int | str]] = []  # as last written, or tried to

    def kept(self) -> tuple[dict[str, int | str] | None, str | None]:
        """Return what was kept, unchecked, and what there is to say about it in one line."""
        if self._path is None or not self._path.exists():
            return None, None
        try:
            text = self._path.read_bytes()[:LARGEST_BYTES].decode()
            state = json.loads(text)
        except (OSError, ValueError, RecursionError) as error:
            return None, self.put_aside(" ".join(str(error).split()))
        if not isinstance(state, dict):
            return None, self.put_aside("expected an object, as it was written")
        return state, f"{self._path}: went on from there"

    def put_aside(self, why: str) -> str:
        """Keep a file that cannot be used under another name; return the line that says so."""
        assert self._path is not None  # or nothing was kept
        aside = self._path.with_name(self._path.name + ".unusable")
        try:
            os.replace(self._path, aside)
        except OSError as error:
            return f"{self._path}: cannot be used ({why}), nor put aside ({error.strerror})"
        return f"{self._path}: cannot be used ({why}); put aside as {aside.name}, starting anew"

    def must_save(self, bank: Aggregator) -> bool:
        """Has something changed that must survive a loss of power at any moment: a wish that holds
        until it is cleared, a pack's removal?"""
        return self._path is not None and latched(bank.snapshot()) != self._latched

    def save(self, bank: Aggregator) -> str | None:
        """Write the snapshot; return what went wrong in one line, or None."""
        if self._path is None:
            return None
        part = self._path.with_name(self._path.name + ".part")
        state = bank.snapshot()
        self._latched = latched(state)
        try:
            with part.open("w", encoding="ascii") as file:
                file.write(json_text(state) + "\n")
                file.flush()
                os.fsync(file.fileno())
            os.replace(part, self._path)
        except OSError as error:
            return f"{self._path}: cannot be written: {error.strerror or error}"
        return None


def latched(state: Mapping[str, int | str]) -> list[tuple[str, int | str]]:
    """Return what of a snapshot holds until somebody takes it back."""
    ends = [key for key in state if key.endswith(".left_ms") and state[key] == FOREVER]
    starts = [key.removesuffix("left_ms") for key in ends]
    return sorted(
        (f"{state[start + 'kind']} {state[start + 'pack']} {state[start + 'source']}",
         state[start + "value"])
        for start in starts
    ) + sorted(pair for pair in state.items() if pair[0].startswith("removed."))  # fmt: skip
