"""What a step costs, in counted instructions and in time, beside the two yardsticks.

floor   reads twenty fields of every pack's report once and does nothing with them
dicts   what a short script does with the same fields: sum, min and max over dicts, and no limits

Instructions are counted by callgrind, without address randomisation and with a fixed hash seed, so
they repeat. A run of 3 n rounds less one of n rounds leaves 2 n rounds without the start-up. All
runs are of one copy of the core, compiled beforehand.
"""

import compileall
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from tests.parity.boards import ROOT, tool

RUNTIMES = ("cpython", "micropython")
COUNTS = (1, 3, 16, 64)
TYPICAL = 16
# Rounds of the shorter run, by packs. Twice as many are measured: two blocks of learned shares, and
# five times around all findings at 16 packs; at 64, where a round is long, once around.
ROUNDS = {1: 60, 3: 60, 16: 60, 64: 36}
FEWER = 6  # `floor` and `dicts` do the same each round, so a few will do


def _interpreter(runtime: str) -> list[str]:
    if runtime == "micropython":
        return [tool("micropython"), "-X", "heapsize=64m", "-m", "tests.bench.workload"]
    return [sys.executable, "-S", "-s", "-m", "tests.bench.workload"]


@contextmanager
def _copy() -> Iterator[Path]:
    """A folder with a compiled copy of the core and of what drives it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copytree(ROOT / "aggregator", folder / "aggregator")
        (folder / "tests" / "bench").mkdir(parents=True)
        for script in ("load.py", "workload.py"):
            shutil.copy(Path(__file__).with_name(script), folder / "tests" / "bench")
        compileall.compile_dir(folder, quiet=1)
        yield folder


def _run(command: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    environment = {name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ}
    environment |= {"PYTHONHASHSEED": "0", "PYTHONPATH": str(folder), "MICROPYPATH": str(folder)}
    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, timeout=300
    )
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(command)} failed:\n{done.stderr[-2_000:]}")
    return done


def instructions(runtime: str, count: int, work: str, rounds: int, folder: Path) -> int:
    """Return how many instructions a whole run takes."""
    command = [
        *(tool("setarch"), platform.machine(), "-R"),
        *(tool("valgrind"), "--tool=callgrind", "--callgrind-out-file=/dev/null"),
        *(*_interpreter(runtime), str(count), work, str(rounds)),
    ]
    collected = re.search(r"Collected : (\d+)", _run(command, folder).stderr)
    if collected is None:
        raise RuntimeError("callgrind printed no count")
    return int(collected.group(1))


def counted() -> dict[tuple[str, int, str], float]:
    """Return instructions by (runtime, packs, work): step and floor, each alone; at TYPICAL packs
    accept and dicts, too."""
    tasks = [
        (runtime, count, work)
        for runtime in RUNTIMES
        for count in COUNTS
        for work in ("move", "accept", "step", "floor", "dicts")
        if count == TYPICAL or work not in ("move", "dicts")
    ]
    with _copy() as folder, ThreadPoolExecutor(os.cpu_count()) as pool:

        def per_round(task: tuple[str, int, str]) -> float:
            runtime, count, work = task
            rounds = FEWER if work in ("floor", "dicts") else ROUNDS[count]
            more = instructions(runtime, count, work, 3 * rounds, folder)
            return (more - instructions(runtime, count, work, rounds, folder)) / (2 * rounds)

        costs = dict(zip(tasks, pool.map(per_round, tasks), strict=True))
    for runtime in RUNTIMES:
        for count in COUNTS:
            costs[runtime, count, "step"] -= costs[runtime, count, "accept"]
        costs[runtime, TYPICAL, "accept"] -= costs[runtime, TYPICAL, "move"]
    return costs


def timed() -> dict[tuple[str, int, str], float]:
    """Return the shortest durations [us] by (runtime, packs, work)."""
    costs = {}
    with _copy() as folder:
        for runtime in RUNTIMES:
            for count in COUNTS:
                command = [*_interpreter(runtime), str(count), "time", "0"]
                for line in _run(command, folder).stdout.splitlines():
                    work, nanoseconds = line.split()
                    costs[runtime, count, work] = int(nanoseconds) / 1_000
    return costs


if __name__ == "__main__":
    for key, cost in (counted() if "counted" in sys.argv else timed()).items():
        print(*key, round(cost, 1))
