"""One gateway for a site: two would speak for the same bank, and write over each other's state.

The sign is a lock on a file beside the state, which the system takes back however a gateway ends.
Without a state file, or on a system without such locks, nobody watches.
"""

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from adapters.toml_file import BadFileError


def lock_file(state: Path) -> Path:
    """Return the file beside a state file that says whose it is."""
    return state.with_name(state.name + ".lock")


@contextlib.contextmanager
def alone(state: Path | None) -> Iterator[None]:
    """Be the only one who speaks for a site. Raises BadFileError if another does."""
    if sys.platform == "win32" or state is None:
        yield
        return
    import fcntl

    path = lock_file(state)
    try:
        file = path.open("a+", encoding="ascii")
    except OSError:  # where nothing can be written, the state cannot be kept either: told there
        yield
        return
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            file.seek(0)
            complaint = (f"{state}: another packyoke runs with it, process {file.read(20).strip()}:"
                         " two may not speak for one bank; stop that one first")  # fmt: skip
            raise BadFileError([complaint], unreadable=True) from None
        file.truncate(0)
        file.write(f"{os.getpid()}\n")
        file.flush()
        yield


def other_speaks(state: Path | None) -> bool:
    """Does another gateway speak for this site now?"""
    if state is None or not lock_file(state).exists():
        return False
    try:
        with alone(state):
            return False
    except BadFileError:
        return True
