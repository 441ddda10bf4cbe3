"""The bank's snapshot on disk: written whole or not at all, and taken up at the next start."""

import json
import os
from pathlib import Path

from aggregator import Aggregator
from aggregator.plain import json_text

SAVE_EVERY_S = 60.0
LARGEST_BYTES = 1_000_000


class Keeper:
    """Keeps a bank's snapshot in one file; None: keeps nothing."""

    def __init__(self, path: Path | None) -> None:
        self._path = path

    def restore(self, bank: Aggregator, now_ms: int) -> str | None:
        """Take up what was kept; return what happened in one line, or None: there was nothing.

        A file that cannot be used is kept beside it under another name, and the bank starts anew.
        """
        if self._path is None or not self._path.exists():
            return None
        try:
            text = self._path.read_bytes()[:LARGEST_BYTES].decode()
            refusal = bank.restore(json.loads(text), now_ms)
            if refusal is None:
                return f"{self._path}: went on from there"
            why = str(refusal)
        except (OSError, ValueError, RecursionError) as error:
            why = " ".join(str(error).split())
        aside = self._path.with_name(self._path.name + ".unusable")
        try:
            os.replace(self._path, aside)
        except OSError as error:
            return f"{self._path}: cannot be used ({why}), nor put aside ({error.strerror})"
        return f"{self._path}: cannot be used ({why}); put aside as {aside.name}, starting anew"

    def save(self, bank: Aggregator) -> str | None:
        """Write the snapshot; return what went wrong in one line, or None."""
        if self._path is None:
            return None
        part = self._path.with_name(self._path.name + ".part")
        try:
            with part.open("w", encoding="ascii") as file:
                file.write(json_text(bank.snapshot()) + "\n")
                file.flush()
                os.fsync(file.fileno())
            os.replace(part, self._path)
        except OSError as error:
            return f"{self._path}: cannot be written: {error.strerror or error}"
        return None
