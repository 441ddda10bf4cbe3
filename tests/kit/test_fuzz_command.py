"""`packyoke fuzz`: a story that breaks a bridge is told, kept, and judged again."""

import json
import re
import sys
from pathlib import Path

import jsonschema
import pytest

from adapters.cli.main import main
from conformance.vectors import FOLDER

MAX = f"stdio:{sys.executable} -m conformance.doubles max"


def test_nothing_is_found_in_our_own(capsys: pytest.CaptureFixture[str]) -> None:
    """A few stories, and how fast they were told."""
    assert main(["fuzz", "self", "--cases", "3"]) == 0
    assert re.search(
        r"^\d+ (stories|story), \d+ requests \(.*\): nothing found", capsys.readouterr().out
    )


def test_what_is_found_is_a_vector(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The file follows the schema; the bad bridge fails it, and ours passes."""
    assert main(["fuzz", MAX, "--cases", "5", "--out", str(tmp_path)]) == 1
    assert "REQ-" in capsys.readouterr().out
    (kept,) = tmp_path.iterdir()
    schema = json.loads((FOLDER / "schema.json").read_text(encoding="utf-8"))
    jsonschema.validate(json.loads(kept.read_text(encoding="utf-8")), schema)
    assert main(["judge", MAX, "--vectors", str(kept)]) == 1
    assert main(["judge", "self", "--vectors", str(kept)]) == 0


def test_what_cannot_be_kept_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """After an hour of fuzzing nothing is lost because a file is where a folder should be."""
    (tmp_path / "here").write_text("", encoding="utf-8")
    assert main(["fuzz", MAX, "--cases", "5", "--out", str(tmp_path / "here")]) == 1
    out, err = capsys.readouterr()
    assert "REQ-" in out
    assert "1 found" in out
    assert "here: nothing can be kept there: " in err


def test_for_machines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--json prints one object."""
    assert main(["fuzz", MAX, "--cases", "5", "--out", str(tmp_path), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    (failure,) = told["failures"]
    assert failure["requirement"].startswith("REQ-")
    assert Path(failure["vector"]).exists()
    assert told["cases"] == 5


def test_a_target_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    """Told in one line."""
    assert main(["fuzz", "stdio:/does/not/exist"]) == 3
    assert "does not start" in capsys.readouterr().err
