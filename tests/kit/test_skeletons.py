"""Each skeleton runs, is safe as it stands, and survives hostile lines."""

import subprocess
import sys
from pathlib import Path

import pytest

from conformance.judge import Judge
from conformance.reports import safe
from conformance.targets import open_target
from conformance.vectors import load
from tests.parity.boards import tool

FOLDER = Path(__file__).parents[2] / "conformance" / "skeletons"
SKELETONS = ("python", "micropython", "c", "shell")
KNOWN = {"shell": ["PRO-015"]}  # its `read` drops zero bytes: the line is empty, and not answered
ALARMS = ["-Wall", "-Wextra", "-Werror", "-std=c99", "-fsanitize=address,undefined"]


def command(kind: str, folder: Path) -> str:
    """The command that runs a skeleton."""
    if kind == "python":
        return f"{sys.executable} {FOLDER / 'bridge.py'}"
    if kind == "shell":
        return f"sh {FOLDER / 'bridge.sh'}"
    if kind == "c":
        out = folder / "bridge"
        subprocess.run([tool("gcc"), *ALARMS, "-o", str(out), str(FOLDER / "bridge.c")], check=True)
        return str(out)
    return f"{tool('micropython')} {FOLDER / 'bridge_micropython.py'}"


@pytest.mark.parametrize("kind", SKELETONS)
def test_a_skeleton_is_safe_as_it_stands(kind: str, tmp_path: Path) -> None:
    """It allows nothing, so every MUST that keeps packs safe is met; nothing crashes it."""
    target = open_target(f"stdio:{command(kind, tmp_path)}", answer_s=4)
    verdicts = list(Judge(target).each(load(("limits", "silence", "wire"))))
    target.close()
    assert [v.case.id for v in verdicts if v.verdict == "error"] == KNOWN.get(kind, [])
    missed = [v for v in verdicts if v.verdict == "must_missed" and v.case.aim == "safety"]
    assert [(v.case.id, v.detail) for v in missed] == []
    assert safe(verdicts)
    assert sum(v.verdict == "pass" for v in verdicts) > 100
    assert any(v.verdict == "should_missed" for v in verdicts)
