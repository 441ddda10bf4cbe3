"""The command line as a process: pipes, terminals, signals, and talk that goes to and fro."""

import fcntl
import json
import os
import pty
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from adapters.cli.main import FINE, INTERRUPTED

COMMAND = [sys.executable, "-m", "adapters.cli"]
ROOT = Path(__file__).parents[2]
PATIENCE_S = 60
RESET = {"op": "reset", "t": 0, "settings": {"packs": [{"pack": "oak"}, {"pack": "fir"}]}}


def report(pack: str, moment_ms: int) -> dict[str, object]:
    """Return a report of a healthy pack; invented."""
    return {
        "op": "report", "t": moment_ms, "pack": pack, "sample": moment_ms // 1_000,
        "voltage_mv": 53_000, "current_ma": 10_000 + moment_ms % 7_000, "soc_permille": 500,
        "cell_min_mv": 3_310, "cell_max_mv": 3_320, "capacity_mah": 200_000,
        "temperature_min_decic": 200, "temperature_max_decic": 210,
        "charge_current_limit_ma": 100_000, "discharge_current_limit_ma": 100_000,
        "charge_path_closed": True, "discharge_path_closed": True,
        "charge_allowed": True, "discharge_allowed": True,
    }  # fmt: skip


def conversation(seconds: int) -> list[dict[str, object]]:
    """Return what a driver says in so many seconds."""
    said: list[dict[str, object]] = [{"op": "hello", "kit": 1}, RESET]
    for second in range(1, seconds + 1):
        said += [report("oak", second * 1_000), report("fir", second * 1_000)]
        said.append({"op": "step", "t": second * 1_000})
    return said


def as_lines(said: list[dict[str, object]]) -> str:
    """Return requests as lines."""
    return "".join(json.dumps(one) + "\n" for one in said)


def packyoke(
    *arguments: object, said: str = "", **more: object
) -> subprocess.CompletedProcess[str]:
    """Run a command to its end."""
    return subprocess.run(
        [*COMMAND, *map(str, arguments)], input=said, capture_output=True, text=True, cwd=ROOT,
        timeout=PATIENCE_S, check=False, **more,  # type: ignore[call-overload]
    )  # fmt: skip


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """Return a log that `record` kept."""
    ran = packyoke("record", tmp_path / "kept.log", said=as_lines(conversation(60)))
    assert ran.returncode == FINE
    return tmp_path / "kept.log"


def test_what_is_recorded_replays_the_same(kept: Path) -> None:
    ran = packyoke("replay", kept)
    assert (ran.returncode, ran.stdout) == (FINE, "182 answers, all the same\n")


def test_a_recorder_answers_like_the_device_itself(tmp_path: Path) -> None:
    said = as_lines([*conversation(5), {"op": "fly", "t": 1}, {"op": "bye"}, {"op": "hello"}])
    said = said.replace('{"op": "bye"}', 'nonsense {\n# a comment\n\n{"op": "bye"}')
    recorder = packyoke("record", tmp_path / "out.log", said=said)
    assert recorder.stdout == packyoke("device", said=said).stdout
    assert recorder.returncode == 1
    assert "1 lines were no requests, the first at line 19" in recorder.stderr
    assert packyoke("replay", tmp_path / "out.log").returncode == FINE


def test_each_line_is_answered_before_the_next_is_read(tmp_path: Path) -> None:
    """A driver that waits for its answer must not wait for ever."""
    for command in (["record", str(tmp_path / "out.log")], ["device"]):
        with subprocess.Popen(
            [*COMMAND, *command], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, text=True, cwd=ROOT,
        ) as process:  # fmt: skip
            assert process.stdin
            assert process.stdout
            for one in conversation(2):
                process.stdin.write(json.dumps(one) + "\n")
                process.stdin.flush()
                assert json.loads(process.stdout.readline())["ok"] is True
            process.stdin.close()
            assert process.wait(PATIENCE_S) == FINE


def test_bare_reports_are_kept_with_steps(tmp_path: Path) -> None:
    settings = tmp_path / "site.toml"
    settings.write_text("[[packs]]\npack='oak'\n[[packs]]\npack='fir'\n", encoding="utf-8")
    said = as_lines([one for one in conversation(30) if one["op"] == "report"])
    out = tmp_path / "out.log"
    ran = packyoke("record", out, "--settings", settings, "--every", 5, said=said)
    assert ran.returncode == FINE
    assert out.read_text(encoding="utf-8").count('"op":"step"') == 6
    assert packyoke("replay", out).returncode == FINE
    assert "The bank at 0:00:30" in packyoke("view", out).stdout


def test_a_stream_on_standard_input_is_shown(kept: Path) -> None:
    for arguments in (["view"], ["view", "-"]):
        ran = packyoke(*arguments, said=kept.read_text(encoding="utf-8"))
        assert ran.returncode == FINE
        assert ran.stdout == packyoke("view", kept).stdout
    ran = packyoke("view", said="")
    assert ran.returncode == 1
    assert ran.stderr.startswith("packyoke: standard input: no step in it")


def test_a_followed_stream_ends_with_its_last_view(kept: Path) -> None:
    said = kept.read_text(encoding="utf-8")
    ran = packyoke("view", "--follow", said=said)
    assert ran.stdout.rstrip() == packyoke("view", kept).stdout.rstrip()
    ran = packyoke("view", "--follow", "--json", said=said)
    assert len(ran.stdout.splitlines()) == 60


def test_a_followed_file_is_followed_until_ctrl_c(kept: Path) -> None:
    with subprocess.Popen(
        [*COMMAND, "view", "--follow", "--json", str(kept)], stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, cwd=ROOT,
    ) as process:  # fmt: skip
        assert process.stdout
        assert process.stderr
        for _ in range(60):
            process.stdout.readline()
        more = as_lines([report("oak", 61_000), {"op": "step", "t": 61_000}])
        with kept.open("a", encoding="utf-8") as log:
            log.write(more[:50])  # half a line: a writer at work
            log.flush()
            time.sleep(0.5)
            log.write(more[50:])
        assert json.loads(process.stdout.readline())["stage"]
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE_S) == INTERRUPTED
        assert process.stderr.read() == "packyoke: interrupted\n"


def test_ctrl_c_ends_a_day_quietly(tmp_path: Path) -> None:
    log = tmp_path / "day.log"
    with subprocess.Popen(
        [*COMMAND, "simulate", "--save", str(log)], stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, cwd=ROOT,
    ) as process:  # fmt: skip
        ends_s = time.monotonic() + PATIENCE_S
        while not (log.exists() and log.stat().st_size) and time.monotonic() < ends_s:
            time.sleep(0.1)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, out, err) == (INTERRUPTED, "", "packyoke: interrupted\n")


def test_a_reader_that_has_had_enough_is_no_error(kept: Path) -> None:
    command = " ".join([*COMMAND, "view", "--follow", "--json", "-"])
    ran = subprocess.run(
        ["bash", "-c", f"for i in 1 2 3; do cat {kept}; done | {command} | head -n 1"],
        capture_output=True, text=True, cwd=ROOT, timeout=PATIENCE_S, check=True,
    )  # fmt: skip
    assert ran.stdout.count("\n") == 1
    assert ran.stderr == ""


def test_a_terminal_without_our_signs_gets_others(kept: Path) -> None:
    ran = packyoke("view", kept, env=os.environ | {"PYTHONIOENCODING": "ascii"})
    assert (ran.returncode, ran.stderr) == (FINE, "")
    assert "The bank at" in ran.stdout


def on_terminal(columns: int, *arguments: object) -> Iterator[str]:
    """Run a command on a terminal of so many columns; yield what it shows, and its end."""
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(ROOT)
        os.environ["TERM"] = "xterm"
        os.execv(sys.executable, [*COMMAND, *map(str, arguments)])
    size = struct.pack("HHHH", 40, columns, 0, 0)
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, size)
    shown = b""
    try:
        while part := os.read(terminal, 65_536):
            shown += part
    except OSError:  # the other end is closed
        pass
    os.close(terminal)
    _, status = os.waitpid(child, 0)
    yield shown.decode()
    yield str(os.waitstatus_to_exitcode(status))


SHORT = "duration_s = 3000\n[[packs]]\npack = 'oak'\n[[packs]]\npack = 'fir'\n"


@pytest.mark.filterwarnings("ignore:This process.*use of forkpty:DeprecationWarning")
def test_a_terminal_sees_progress_and_a_screen_that_fits(tmp_path: Path) -> None:
    (tmp_path / "short.toml").write_text(SHORT, encoding="utf-8")
    shown, code = on_terminal(80, "simulate", tmp_path / "short.toml")
    assert code == "0"
    assert "simulating" in shown
    plain = "".join(part.split("m", 1)[-1] for part in shown.split("\x1b["))
    table = [line for line in plain.splitlines() if line.strip().startswith(("oak", "fir"))]
    assert len(table) == 2
    assert all(len(line.rstrip()) <= 80 for line in table)


@pytest.mark.filterwarnings("ignore:This process.*use of forkpty:DeprecationWarning")
def test_a_terminal_without_a_log_gets_a_hint() -> None:
    shown, code = on_terminal(100, "view")
    assert code == "2"
    assert "give a LOG, or pipe driver lines into standard input" in shown


def test_a_terminal_is_not_asked_of_a_pipe(tmp_path: Path) -> None:
    """Into a pipe: no progress, no colours, the full width."""
    (tmp_path / "short.toml").write_text(SHORT, encoding="utf-8")
    ran = packyoke("simulate", tmp_path / "short.toml")
    assert ran.stderr == ""
    assert "\x1b" not in ran.stdout


def test_debug_shows_where_an_error_came_from(tmp_path: Path) -> None:
    ran = packyoke("--debug", "check", tmp_path / "missing.toml")
    assert "Traceback" in ran.stderr
    ran = packyoke("check", tmp_path / "missing.toml")
    assert "Traceback" not in ran.stderr
