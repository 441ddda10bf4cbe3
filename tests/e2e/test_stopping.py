"""On site, as processes: questions and gateways end when they are told to."""

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from adapters.cli.main import INTERRUPTED

SITE = """
[[packs]]
pack = "oak"

[[packs]]
pack = "fir"

[gateway]
state = ""

[[links]]
name = "shed"
kind = "tcp"
host = "127.0.0.1"
port = 9
  [[links.hears]]
  as = "json-lines"
"""


@pytest.fixture
def site(tmp_path: Path) -> str:
    """A site's file; nobody is heard there."""
    path = tmp_path / "SITE.toml"
    path.write_text(SITE, encoding="utf-8")
    return str(path)


def test_a_question_can_be_left_with_ctrl_c(site: str) -> None:
    """Without another key."""
    command = [sys.executable, "-m", "adapters.cli", "meter", site]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE) as asking:
        assert asking.stderr is not None
        told = b""
        while not told.endswith(b"oak: "):
            told += asking.stderr.read(1)
            assert asking.poll() is None
        asking.send_signal(signal.SIGINT)
        assert asking.wait(30) == INTERRUPTED


@contextmanager
def running(
    site: str, hangup: signal.Handlers = signal.SIG_DFL
) -> Iterator[subprocess.Popen[bytes]]:
    """A gateway that has started, in `site` with a snapshot; it does not outlive the test.

    `hangup`: what a closed terminal does to it, whatever it does to whoever runs the tests.
    """
    path = Path(site)
    path.write_text(path.read_text().replace('state = ""', 'state = "kept.json"'), encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, "-m", "adapters.cli", "run", site],
        stderr=subprocess.PIPE,
        preexec_fn=lambda: signal.signal(signal.SIGHUP, hangup),
    ) as gateway:
        try:
            assert gateway.stderr is not None
            started = gateway.stderr.readline()
            assert b"hears and speaks; 2 packs, 1 link; no history is kept" in started
            assert b"stage: paused" in gateway.stderr.readline()
            yield gateway
        finally:
            gateway.kill()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_gateway_that_is_told_to_stop_keeps_its_state(site: str, number: signal.Signals) -> None:
    """Also when its terminal is closed; and it goes on while nobody reads its journal."""
    with running(site) as gateway:
        assert gateway.stderr is not None
        gateway.stderr.close()
        time.sleep(3)  # what becomes of the link is told meanwhile
        assert gateway.poll() is None
        gateway.send_signal(number)
        assert gateway.wait(30) == 0
    assert (Path(site).parent / "kept.json").exists()


def test_nohup_outlives_its_terminal(site: str) -> None:
    """Whoever started it so wants it to go on; it still stops when it is told to."""
    with running(site, signal.SIG_IGN) as gateway:
        gateway.send_signal(signal.SIGHUP)
        with pytest.raises(subprocess.TimeoutExpired):
            gateway.wait(2)
        gateway.send_signal(signal.SIGTERM)
        assert gateway.wait(30) == 0
