"""Targets: each kind answers, and each way to misbehave is told with what was seen."""

import contextlib
import os
import socket
import sys
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from conformance.device import Device, answer_line
from conformance.targets import TargetError, TargetNameError, hexdump, open_target

HELLO = {"op": "hello", "kit": 1}
OURS = f"stdio:{sys.executable} -m conformance.device"


def python(program: str) -> str:
    """The target that runs this program."""
    return f'stdio:{sys.executable} -c "{program}"'


def serve(read_line: object, write: object) -> None:
    """Answer lines as our device does, until the other end goes."""
    device = Device()
    with contextlib.suppress(OSError, ValueError):
        while line := read_line():  # type: ignore[operator]
            answer = answer_line(device, line.decode())
            if answer is not None:
                write(answer.encode() + b"\n")  # type: ignore[operator]


@pytest.fixture
def tcp() -> Iterator[str]:
    """Our device behind a TCP port; it takes one connection after another."""
    server = socket.create_server(("127.0.0.1", 0))

    def run() -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = server.accept()
                with peer, peer.makefile("rb") as lines:
                    serve(lines.readline, peer.sendall)

    threading.Thread(target=run, daemon=True).start()
    yield f"tcp:127.0.0.1:{server.getsockname()[1]}"
    server.close()


@pytest.fixture
def serial() -> Iterator[str]:
    """Our device behind a pseudo-terminal, with noise in front."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    os.write(ours, b"\xff\x00noise before the first line")
    lines = os.fdopen(ours, "rb", buffering=0)

    thread = threading.Thread(
        target=serve, args=(lines.readline, lambda data: os.write(ours, data)), daemon=True
    )
    thread.start()
    yield f"serial:{os.ttyname(theirs)}@9600"
    os.close(theirs)
    thread.join(5)
    lines.close()


def converse(name: str) -> None:
    """Ask twice, open again, and ask once more."""
    target = open_target(name)
    assert target.ask(HELLO)["name"] == "packyoke"
    reset = {"op": "reset", "t": 0, "settings": {"packs": [{"pack": "oak"}]}}
    assert target.ask(reset) == {"ok": True}
    target.tell(b"# a log line")
    assert target.exchange(b"{half") == {"ok": False, "error": "not JSON"}
    assert target.ask({"op": "step", "t": 0})["view"]["charge_current_limit_ma"] == 0
    target.reopen()
    assert target.ask(HELLO)["ok"] is True
    target.close()


def test_self() -> None:
    """Our device in this process."""
    converse("self")


def test_stdio() -> None:
    """Our device as a process."""
    converse(OURS)


def test_tcp(tcp: str) -> None:
    """Our device over TCP; opened again, it is a new connection."""
    converse(tcp)


def test_serial(serial: str) -> None:
    """Our device over a serial line, after noise."""
    converse(serial)


@pytest.mark.parametrize(
    "name", ["", "stdio:", "tcp:host", "tcp::5", "tcp:h:99999", "serial:", "serial:x@y", "usb:1"]
)
def test_no_target(name: str) -> None:
    """A text that names no target says what was expected."""
    with pytest.raises(TargetNameError, match="expected stdio:COMMAND"):
        open_target(name)


@pytest.mark.parametrize(
    ("program", "told"),
    [
        ("raise SystemExit('no battery found')", "its last words: no battery found"),
        ("input(); print('volts: fine')", "this is not JSON\n  0000  76 6f"),
        ("input(); print('[1, 2]')", 'not an object with "ok" true or false'),
        ("input(); print('{', end='', flush=True); input()", "half a line and then nothing"),
        ("input(); input()", "no answer within"),
        ("input(); print('{}' * 700_000, end='')", "and no answer in them"),
        ("input()", "it ended"),
        ("input(); import os; os.close(1); os._exit(0)", "it ended"),
    ],
)
def test_misbehaviour_is_told(program: str, told: str) -> None:
    """Every way to break the protocol says what was seen."""
    target = open_target(python(program), answer_s=3.0)
    with pytest.raises(TargetError) as caught:
        target.ask(HELLO)
    target.close()
    assert told in str(caught.value)


def test_it_does_not_start(tmp_path: Path) -> None:
    """A missing program, port or listener is told in one line."""
    for name in (f"stdio:{tmp_path}/none", "tcp:127.0.0.1:1", f"serial:{tmp_path}/none"):
        with pytest.raises(TargetError, match="does not start: "):
            open_target(name).ask(HELLO)


def test_speaking_unasked_is_told() -> None:
    """Two answers to one request would put every later one off by one."""
    target = open_target(python("while 1: input(); print('{\\\"ok\\\":true}\\n' * 2, flush=True)"))
    target.ask(HELLO)
    time.sleep(0.1)
    with pytest.raises(TargetError, match="without being asked"):
        target.ask(HELLO)
    target.close()


def test_logs_are_no_answers() -> None:
    """Lines that start with # are skipped, in front of an answer and between two."""
    program = "while 1: input(); print('# log\\n\\n{\\\"ok\\\":true}\\n# more', flush=True)"
    target = open_target(python(program))
    for _ in range(20):
        assert target.ask(HELLO) == {"ok": True}
    target.close()


def test_a_target_that_reads_nothing_does_not_hang_us(monkeypatch: pytest.MonkeyPatch) -> None:
    """A long line into a process that never reads ends by the watchdog."""
    monkeypatch.setattr("conformance.links.WRITE_S", 0.3)
    target = open_target(python("import time; time.sleep(60)"), answer_s=0.3)
    with pytest.raises(TargetError, match="takes nothing in"):
        target.exchange(b"x" * 1_000_000)
    target.close()


def test_children_end_with_it(tmp_path: Path) -> None:
    """What the command started is ended as well."""
    note = tmp_path / "pid"
    target = open_target(f"stdio:sh -c 'sleep 60 & echo $! > {note}; cat >/dev/null'", 0.5)
    with pytest.raises(TargetError):
        target.ask(HELLO)
    target.close()
    child = int(note.read_text())
    state = Path(f"/proc/{child}/stat")
    for _ in range(100):
        if not state.exists() or state.read_text().split()[2] == "Z":
            break
        time.sleep(0.02)
    else:
        pytest.fail("the child goes on")


def test_hexdump() -> None:
    """Sixteen bytes a line, in hexadecimal and as text."""
    shown = hexdump(b"\xffhello" + bytes(200))
    assert shown.splitlines()[0] == "  0000  ff 68 65 6c 6c 6f" + " 00" * 10 + "  .hello.........."
    assert shown.splitlines()[-1] == "  ... 206 bytes in all"
