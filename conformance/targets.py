"""What the kit talks to: a bridge behind the driver protocol, wherever it runs.

    stdio:COMMAND        a process on standard input and output (POSIX)
    tcp:HOST:PORT        one connection
    serial:PORT[@BAUD]   a serial port, 115200 unless told otherwise (extra `serial`)
    self                 our own device, in this process

Every target is killed or cut off when it does not answer in time, and can be opened again.
"""

import contextlib
import json
import os
import re
from collections.abc import Callable
from time import monotonic
from typing import Any

from conformance.device import Device, answer_line
from conformance.links import ConnectionLink, Link, ProcessLink, SerialLink
from conformance.oracle import Breach

Plain = dict[str, Any]

ANSWER_S = 2.0  # the watchdog: how long one answer may take
LONGEST_ANSWER = 1 << 20  # bytes, logs included: a flood is no answer
BAUD = 115_200


class TargetError(Exception):
    """The target did not answer as the protocol says. `seen`: the bytes that came instead."""

    def __init__(self, text: str, seen: bytes = b"") -> None:
        super().__init__(text + ("\n" + hexdump(seen) if seen else ""))


class TargetNameError(ValueError):
    """The text does not name a target."""


def hexdump(data: bytes, most: int = 96) -> str:
    """Return the first bytes in hexadecimal and as text, sixteen a line."""
    lines = []
    for at in range(0, min(len(data), most), 16):
        row = data[at : min(at + 16, most)]
        text = "".join(chr(b) if 32 <= b < 127 else "." for b in row)
        lines.append(f"  {at:04x}  {row.hex(' '):<47}  {text}")
    if len(data) > most:
        lines.append(f"  ... {len(data)} bytes in all")
    return "\n".join(lines)


class Target:
    """A bridge behind a link, one line a request and one an answer."""

    def __init__(self, name: str, opens: Callable[[], Link], answer_s: float = ANSWER_S) -> None:
        self.name = name
        self._opens = opens
        self._answer_s = answer_s
        self._pending = b""
        self._link: Link | None = None

    def ask(self, request: Plain) -> Plain:
        """Send one request and return the answer. Raises TargetError with what was seen."""
        return self.exchange(json.dumps(request, separators=(",", ":")).encode())

    def exchange(self, line: bytes) -> Plain:
        """Send one line, whatever it is, and return the answer to it. Raises TargetError."""
        self.tell(line)
        return self._answer()

    def tell(self, line: bytes) -> None:
        """Send one line that wants no answer. Raises TargetError."""
        try:
            if self._link is None:
                self.reopen()
            assert self._link is not None
            self._refuse_chatter(self._link)
            self._link.write(line + b"\n")
        except (OSError, EOFError) as error:
            raise self._gone(error) from error

    def breach(self) -> Breach | None:
        """Return what a witness of this target's own saw in the last answer; most have none."""
        return None

    def story(self, breach: Breach) -> str:
        """Return what led to a breach, in words, from such a witness; empty: there is none."""
        return ""

    def close(self) -> str:
        """Cut it off; return its last words."""
        link, self._link, self._pending = self._link, None, b""
        with contextlib.suppress(OSError):
            return link.close() if link else ""
        return ""

    def reopen(self) -> None:
        """Open it anew, cutting off what was there. Raises TargetError."""
        self.close()
        try:
            self._link = self._opens()
        except (OSError, ValueError) as error:
            raise TargetError(f"{self.name} does not start: {_reason(error)}") from error

    def _answer(self) -> Plain:
        deadline = monotonic() + self._answer_s
        seen = b""
        while True:
            line, newline, rest = self._pending.partition(b"\n")
            if newline:
                self._pending = rest
                if line.strip() and not line.lstrip().startswith(b"#"):
                    return _parsed(line)
                continue
            left_s = deadline - monotonic()
            if left_s <= 0:
                text = "half a line and then nothing" if self._pending else "no answer"
                raise TargetError(f"{text} within {self._answer_s:g} s", self._pending)
            if len(seen) > LONGEST_ANSWER:
                raise TargetError(f"more than {LONGEST_ANSWER} bytes and no answer in them", seen)
            try:
                assert self._link is not None
                came = self._link.read(left_s)
            except (OSError, EOFError) as error:
                raise self._gone(error) from error
            seen += came
            self._pending += came

    def _refuse_chatter(self, link: Link) -> None:
        """What came unasked would be taken for the next answer: everything after would be off."""
        self._pending += link.read(0)
        lines = self._pending.split(b"\n")
        if any(line.strip() and not line.lstrip().startswith(b"#") for line in lines):
            raise TargetError("it spoke without being asked", self._pending)
        self._pending = lines[-1]

    def _gone(self, error: BaseException) -> TargetError:
        seen = self._pending
        words = self.close()
        text = "it ended" if isinstance(error, EOFError) else f"it is gone: {_reason(error)}"
        return TargetError(text + (f"; its last words: {words}" if words else ""), seen)


def _reason(error: BaseException) -> str:
    text = getattr(error, "strerror", None) or str(error) or type(error).__name__
    system = re.search(r"\[Errno (\d+)\]", text)  # a library's words around the system's
    return os.strerror(int(system[1])) if system else str(text)


def _parsed(line: bytes) -> Plain:
    try:
        answer = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise TargetError("this is not JSON", line) from error
    if not isinstance(answer, dict) or not isinstance(answer.get("ok"), bool):
        raise TargetError('this is not an object with "ok" true or false', line)
    return answer


class OwnDevice(Target):
    """Our own device in this process, without the detour through bytes where none is asked for."""

    def __init__(self) -> None:
        super().__init__("self", lambda: _NoLink())
        self._device = Device()

    def ask(self, request: Plain) -> Plain:
        return self._device.answer(request)

    def exchange(self, line: bytes) -> Plain:
        answer = answer_line(self._device, line.decode(errors="replace"))
        if answer is None:
            raise TargetError("no answer")
        return _parsed(answer.encode())

    def tell(self, line: bytes) -> None:
        answer = answer_line(self._device, line.decode(errors="replace"))
        if answer is not None:
            raise TargetError("it spoke without being asked", answer.encode())

    def reopen(self) -> None:
        self._device = Device()


class _NoLink:
    def write(self, data: bytes) -> None:
        pass

    def read(self, wait_s: float) -> bytes:
        return b""

    def close(self) -> str:
        return ""


def open_target(text: str, answer_s: float = ANSWER_S) -> Target:
    """Return the target that `text` names; it is opened by its first request.

    Raises TargetNameError for a text that names none, and ModuleNotFoundError without pyserial.
    """
    kind, _, rest = text.partition(":")
    if text == "self":
        return OwnDevice()
    if kind == "stdio" and rest.strip():
        return Target(text, lambda: ProcessLink(rest), answer_s)
    if kind == "tcp":
        host, _, port = rest.rpartition(":")
        if host and port.isdigit() and 0 < int(port) < 65_536:
            return Target(text, lambda: ConnectionLink(host.strip("[]"), int(port)), answer_s)
    if kind == "serial":
        port, _, baud = rest.partition("@")
        if port and (baud or "1").isdigit():
            import serial  # noqa: F401  # say at once that it is missing

            return Target(text, lambda: SerialLink(port, int(baud or BAUD)), answer_s)
    raise TargetNameError(
        f"expected stdio:COMMAND, tcp:HOST:PORT, serial:PORT[@BAUD] or self, got {text!r}"
    )
