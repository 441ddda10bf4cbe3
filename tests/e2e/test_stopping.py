"""On site, as processes: questions and gateways end when they are told to."""

import signal
import subprocess
import sys
import time
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


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_gateway_that_is_told_to_stop_keeps_its_state(site: str, number: signal.Signals) -> None:
    """Also when its terminal is closed; and it goes on while nobody reads its journal."""
    path = Path(site)
    path.write_text(path.read_text().replace('state = ""', 'state = "kept.json"'), encoding="utf-8")
    command = [sys.executable, "-m", "adapters.cli", "run", site]
    with subprocess.Popen(command, stderr=subprocess.PIPE) as running:
        assert running.stderr is not None
        assert b"hears and speaks; 2 packs, 1 link; no history is kept" in running.stderr.readline()
        assert b"stage: paused" in running.stderr.readline()
        running.stderr.close()
        time.sleep(3)  # what becomes of the link is told meanwhile
        assert running.poll() is None
        running.send_signal(number)
        assert running.wait(30) == 0
    assert (path.parent / "kept.json").exists()
