"""Interpreters as child processes: lines in, lines out.

    unix64   MicroPython's unix port, 64-bit
    floor32  the oldest MicroPython that is supported, 32-bit
    newest32 the newest release, 32-bit

`.ci/setup` installs all of them into the virtual environment.
"""

import contextlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import IO, cast

ROOT = Path(__file__).parents[2]
WASM_LOADER = Path(__file__).with_name("wasm32.mjs")
WASM_BUILDS = {"floor32": "micropython-floor", "newest32": "micropython-newest"}
ROOMY_HEAP = 16 << 20

# What a board needs to answer the driver protocol.
DEVICE_FILES = [
    *sorted(str(path.relative_to(ROOT)) for path in (ROOT / "aggregator").glob("*.py")),
    "conformance/__init__.py",
    "conformance/device.py",
]


def tool(name: str) -> str:
    """Return the path of a program beside this interpreter, or on the PATH."""
    found = shutil.which(name, path=str(Path(sys.executable).parent)) or shutil.which(name)
    if found is None:
        raise FileNotFoundError(f"{name} is missing: run `bash .ci/setup`")
    return found


def wasm_folder(build: str) -> Path:
    """Return the folder of a 32-bit build."""
    folder = Path(sys.prefix) / "node_modules" / WASM_BUILDS[build]
    if not folder.is_dir():
        raise FileNotFoundError(f"{folder} is missing: run `bash .ci/setup`")
    return folder


class Board:
    """A child that answers each line with one line."""

    def __init__(self, command: Iterable[str], **environment: str) -> None:
        self._errors = tempfile.TemporaryFile("w+")  # noqa: SIM115  # closed with the child
        self._child = subprocess.Popen(
            list(command),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._errors,
            cwd=ROOT,
            env={**os.environ, **environment},
            encoding="utf-8",
        )
        self._lines_in = cast(IO[str], self._child.stdin)
        self._lines_out = cast(IO[str], self._child.stdout)

    def ask(self, line: str) -> str:
        """Send one line and return the answer. Raises RuntimeError if the child died of it."""
        with contextlib.suppress(BrokenPipeError):  # the empty answer below says so
            self._lines_in.write(line + "\n")
            self._lines_in.flush()
        answer = self._lines_out.readline()
        if not answer:
            self._errors.seek(0)
            raise RuntimeError(f"the interpreter died of {line[:200]}: {self._errors.read()}")
        return answer.rstrip("\n")

    def close(self) -> None:
        """End the child."""
        with contextlib.suppress(BrokenPipeError):
            self._lines_in.close()
        self._child.wait(timeout=10)
        self._lines_out.close()
        self._errors.close()

    def __enter__(self) -> "Board":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class WasmBoard(Board):
    """A 32-bit interpreter that holds copies of `files`, relative to `root`."""

    def __init__(
        self, build: str, files: Iterable[str], heap: int = ROOMY_HEAP, root: Path = ROOT
    ) -> None:
        folder = str(wasm_folder(build))
        super().__init__([tool("node"), str(WASM_LOADER), folder, str(heap), str(root), *files])

    def run(self, code: str) -> str:
        """Run Python code at top level; return what it printed."""
        return self.ask(json.dumps(code))

    def ask(self, line: str) -> str:
        answer: str = json.loads(super().ask(line))
        return answer


def device(build: str) -> Board:
    """Start the device of the driver protocol on the interpreter `build`."""
    if build == "unix64":
        command = [tool("micropython"), "-X", "heapsize=64m", "-m", "conformance.device"]
        return Board(command, MICROPYPATH=str(ROOT))
    board = WasmBoard(build, DEVICE_FILES)
    board.run(
        "from conformance.device import Device, answer_line\n"
        "device = Device()\n"
        "def answer(line):\n"
        "    return answer_line(device, line)\n"
    )
    return board
