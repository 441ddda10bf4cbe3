"""Judge a bridge on a bus: two processes, the bridge and the kit, and what the kit reported."""

import contextlib
import json
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from attrs import frozen

from tests.broker import broker
from tests.rigs.sites import SITES, mqtt
from tests.sources import ROOT

GATEWAY = ("adapters.cli", "run")
BAD = ("tests.rigs.bad_bridge",)
MOST_S = 500
BUSES = ("can", "modbus", "mqtt", "bad")


@frozen
class Result:
    """What `packyoke judge` said: exit code, screen, and verdict by case."""

    code: int
    screen: str
    cases: dict[str, dict[str, Any]]

    @property
    def verdicts(self) -> dict[str, str]:
        """The verdict of each case."""
        return {name: case["verdict"] for name, case in self.cases.items()}


@contextlib.contextmanager
def bridge(folder: Path, program: Sequence[str]) -> Iterator[None]:
    """Run a bridge on the site in a folder."""
    command = [sys.executable, "-m", *program, str(folder / "SITE.toml")]
    with (folder / "bridge.log").open("wb") as log:
        process = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log)
        try:
            yield
        finally:
            process.terminate()
            process.wait(20)


def judged(folder: Path, target: str, only: Sequence[str] = ()) -> Result:
    """Judge whatever is on the buses of the rig in a folder."""
    report = folder / "report.json"
    cases = [word for name in only for word in ("--case", name)]
    done = subprocess.run(
        [sys.executable, "-m", "adapters.cli", "judge", target, "--report", str(report), *cases],
        cwd=ROOT, capture_output=True, text=True, timeout=MOST_S, check=False,
    )  # fmt: skip
    told = json.loads(report.read_text(encoding="utf-8"))["cases"] if report.exists() else []
    return Result(done.returncode, done.stdout + done.stderr, {case["id"]: case for case in told})


def on_bus(name: str, folder: Path, only: Sequence[str] = ()) -> Result:
    """Judge the bridge of one of BUSES by these cases, or all."""
    folder.mkdir()
    with contextlib.ExitStack() as stack:
        if name in SITES:
            SITES[name](folder)
        else:
            mqtt(folder, stack.enter_context(broker(folder)).port)
        stack.enter_context(bridge(folder, BAD if name == "bad" else GATEWAY))
        bus = "mqtt" if name == "bad" else name
        return judged(folder, f"{bus}:{folder / 'RIG.toml'}", only)


def side_by_side(tasks: Mapping[str, Callable[[], Result]]) -> dict[str, Result]:
    """Judge several at the same time: they wait most of it."""
    with ThreadPoolExecutor(len(tasks)) as pool:
        running = {name: pool.submit(task) for name, task in tasks.items()}
        return {name: one.result() for name, one in running.items()}
