"""Bytes to and from a bridge: a process, a TCP connection, a serial port."""

import contextlib
import os
import select
import shlex
import signal
import socket
import subprocess
import tempfile
from typing import Protocol

WRITE_S = 5.0  # how long connecting, or writing a line, may take


class Link(Protocol):
    """Bytes to and from a bridge. All raise OSError when it is gone."""

    def write(self, data: bytes) -> None: ...

    def read(self, wait_s: float) -> bytes:
        """Return what came within `wait_s`; nothing came: b"". EOFError: nothing ever will."""
        ...

    def close(self) -> str:
        """Cut it off; return its last words, if it left any."""
        ...


class ProcessLink:
    """A process of its own group, so that what it started ends with it."""

    def __init__(self, command: str) -> None:
        self._words = tempfile.TemporaryFile()  # noqa: SIM115  # closed with the link
        try:
            self._process = subprocess.Popen(
                shlex.split(command),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._words,
                bufsize=0,
                start_new_session=True,
            )
        except BaseException:
            self._words.close()
            raise
        assert self._process.stdin is not None
        os.set_blocking(self._process.stdin.fileno(), False)

    def write(self, data: bytes) -> None:
        assert self._process.stdin is not None
        handle = self._process.stdin.fileno()
        while data:
            if not select.select([], [handle], [], WRITE_S)[1]:
                raise TimeoutError("it takes nothing in")
            data = data[os.write(handle, data) :]

    def read(self, wait_s: float) -> bytes:
        assert self._process.stdout is not None
        return _read(self._process.stdout.fileno(), wait_s)

    def close(self) -> str:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe:
                with contextlib.suppress(OSError):
                    pipe.close()
        self._words.seek(0)
        words = self._words.read().decode(errors="replace").strip().splitlines()
        self._words.close()
        return words[-1] if words else ""


class ConnectionLink:
    """One TCP connection."""

    def __init__(self, host: str, port: int) -> None:
        self._socket = socket.create_connection((host, port), WRITE_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def write(self, data: bytes) -> None:
        self._socket.sendall(data)

    def read(self, wait_s: float) -> bytes:
        return _read(self._socket.fileno(), wait_s)

    def close(self) -> str:
        self._socket.close()
        return ""


class SerialLink:
    """Line noise may stand before the first line: an empty line ends it, and it is dropped."""

    def __init__(self, port: str, baud: int) -> None:
        import serial  # an extra

        self._port = serial.Serial(port, baud, timeout=0, write_timeout=WRITE_S)
        self._port.write(b"\n")
        while self.read(0.2):
            pass

    def write(self, data: bytes) -> None:
        self._port.write(data)

    def read(self, wait_s: float) -> bytes:
        self._port.timeout = wait_s
        first: bytes = self._port.read(1)
        return first + bytes(self._port.read(self._port.in_waiting)) if first else b""

    def close(self) -> str:
        self._port.close()
        return ""


def _read(handle: int, wait_s: float) -> bytes:
    if not select.select([handle], [], [], wait_s)[0]:
        return b""
    came = os.read(handle, 65_536)
    if not came:
        raise EOFError
    return came
