"""`packyoke judge`: the vectors against a bridge, from the front door."""

import sys
from pathlib import Path

import pytest

from adapters.cli import main


def test_our_own_device_meets_every_must(capsys: pytest.CaptureFixture[str]) -> None:
    """Judging ourselves ends well and says so."""
    assert main(["judge", "self"]) == 0
    assert "Every MUST is met." in capsys.readouterr().out


def test_a_bridge_that_does_not_start_cannot_be_judged(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing could be judged: exit code 3."""
    assert main(["judge", "stdio:no-such-program-here"]) == 3
    shown = capsys.readouterr()
    assert "no-such-program-here" in shown.out + shown.err


def test_a_bridge_that_only_echoes_is_found_out(capsys: pytest.CaptureFixture[str]) -> None:
    """A device that says back whatever it hears meets nothing that is asked of it."""
    code = main(["judge", f"stdio:{sys.executable} -m conformance.doubles echo"])
    assert code in (1, 3)
    assert "Every MUST is met." not in capsys.readouterr().out


def test_a_report_that_cannot_be_written_loses_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was judged is shown, the other report is written, and the place is told."""
    nowhere, kept = tmp_path / "no" / "r.json", tmp_path / "kept.xml"
    arguments = [
        "judge",
        "self",
        "--case",
        "LIM-003",
        "--report",
        str(nowhere),
        "--junit",
        str(kept),
    ]
    assert main(arguments) == 3
    shown = capsys.readouterr()
    assert "Every MUST is met." in shown.out
    assert shown.err == f"packyoke: {nowhere}: cannot be written: No such file or directory\n"
    assert "LIM-003" in kept.read_text(encoding="utf-8")
