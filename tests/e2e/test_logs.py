"""Logs: what replays, what was tampered with, what is none, what can be read all the same."""

import gzip
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from adapters.cli.main import FINE, FOUND

Command = Callable[..., tuple[int, str, str]]


def test_the_log_of_a_day_replays_to_the_bit(noon: Path, packyoke: Command) -> None:
    code, out, err = packyoke("replay", noon / "noon.log")
    assert (code, err) == (FINE, "")
    assert out == "7 answers, all the same\n"  # the reset, and a view a minute


def tampered(log: Path, old: str, new: str, line: int) -> Path:
    """Return a copy of a log with something else in the given line (from the end if negative)."""
    lines = log.read_text(encoding="utf-8").splitlines(keepends=True)
    assert old in lines[line]
    lines[line] = lines[line].replace(old, new)
    copy = log.with_name("tampered.log")
    copy.write_text("".join(lines), encoding="utf-8")
    return copy


def test_a_tampered_answer_is_found(noon: Path, packyoke: Command) -> None:
    lines = (noon / "noon.log").read_text(encoding="utf-8").splitlines()
    number = max(n for n, line in enumerate(lines) if '"answer"' in line)
    view = json.loads(lines[number])["answer"]["view"]
    was = f'"charge_current_limit_ma":{view["charge_current_limit_ma"]}'
    copy = tampered(noon / "noon.log", was, '"charge_current_limit_ma":1', number)
    code, out, _ = packyoke("replay", copy)
    assert code == FOUND
    assert f"{copy}:{number}: the first difference, after 6 equal answers" in out
    assert "answer.view.charge_current_limit_ma: recorded 1, now " in out


def test_a_tampered_report_changes_what_follows(noon: Path, packyoke: Command) -> None:
    lines = (noon / "noon.log").read_text(encoding="utf-8").splitlines()
    seen = max(n for n, line in enumerate(lines) if '"answer"' in line)
    number = max(n for n, line in enumerate(lines[:seen]) if '"op":"report"' in line)
    copy = tampered(noon / "noon.log", '"charge_allowed":true', '"charge_allowed":false', number)
    code, out, _ = packyoke("replay", copy, "--json")
    assert code == FOUND
    told = json.loads(out)
    assert told["difference"]["line"] > number
    assert told["difference"]["recorded"] != told["difference"]["replayed"]


def test_a_log_without_answers_is_no_proof(noon: Path, packyoke: Command) -> None:
    bare = noon / "bare.log"
    lines = (noon / "noon.log").read_text(encoding="utf-8").splitlines(keepends=True)
    bare.write_text("".join(line for line in lines if '"answer"' not in line), encoding="utf-8")
    code, _, err = packyoke("replay", bare)
    assert code == FOUND
    assert "no recorded answers, so there is nothing to compare" in err


def test_a_packed_log_is_read_like_any_other(noon: Path, packyoke: Command) -> None:
    """One that is still being written, or was torn off, as far as it goes; and that is told."""
    packed = noon / "noon.log.gz"
    with (noon / "noon.log").open("rb") as log, gzip.open(packed, "wb") as out:
        shutil.copyfileobj(log, out)
    assert packyoke("view", packed) == packyoke("view", noon / "noon.log")
    packed.write_bytes(packed.read_bytes()[:2_000])
    code, _, err = packyoke("view", packed)
    assert code == FINE
    assert "noon.log.gz: has no end: torn off, or still being written" in err


def test_reports_alone_can_be_stepped_by_the_clock(noon: Path, packyoke: Command) -> None:
    """A collector that knows reports only: no reset, no steps."""
    lines = (noon / "noon.log").read_text(encoding="utf-8").splitlines(keepends=True)
    reports = noon / "reports.log"
    reports.write_text("".join(one for one in lines if '"op":"report"' in one), encoding="utf-8")
    settings = noon / "settings.toml"
    settings.write_text("[[packs]]\npack='oak'\n[[packs]]\npack='fir'\n", encoding="utf-8")
    code, _, err = packyoke("view", reports)
    assert code == FOUND
    assert "give --settings FILE" in err
    code, _, err = packyoke("view", reports, "--settings", settings)
    assert code == FOUND
    assert "--every 1" in err
    code, out, _ = packyoke("view", reports, "--settings", settings, "--every", "1")
    assert code == FINE
    assert re.search(r"charge +[1-9]\d\.\d A", out)


BAD_LOGS = {
    "empty": (b"", FOUND, "no step in it"),
    "comments": (b"# nothing\n\n", FOUND, "no step in it"),
    "no JSON": (b"hello\n", FOUND, "LOG:1: expected one JSON object"),
    "binary": (bytes(range(256)) * 4, FOUND, "LOG:1: expected one JSON object"),
    "a list": (b"[1]\n", FOUND, "LOG:1: expected one JSON object"),
    "one endless line": (b"[" * 1_200_000, FOUND, "LOG:1: expected one JSON object"),
    "bad settings": (b'{"op":"reset","t":0,"settings":{"packs":[]}}\n', FOUND, "LOG:1: packs: "),
    "no reset": (b'{"op":"step","t":0}\n', FOUND, "LOG:1: no settings yet"),
    "bad time": (
        b'{"op":"reset","t":0,"settings":{"packs":[{"pack":"oak"}]}}\n{"op":"step","t":"x"}\n',
        FOUND,
        "LOG:2: t: expected an integer",
    ),
}


@pytest.mark.parametrize("name", BAD_LOGS)
@pytest.mark.parametrize("command", [["view"], ["view", "--follow"], ["packs"], ["replay"]])
def test_a_log_that_is_none_is_told_in_one_line(
    tmp_path: Path, packyoke: Command, name: str, command: list[str]
) -> None:
    content, code, said = BAD_LOGS[name]
    log = tmp_path / ("LOG.gz" if "--follow" in command else "LOG")  # a growing file never ends
    log.write_bytes(gzip.compress(content) if log.suffix else content)
    got, _, err = packyoke(*command, log)
    assert got == code
    assert err.count("\n") == 1
    if command != ["replay"]:
        assert said.replace("LOG", log.name) in err


def test_a_torn_last_line_is_passed_over(noon: Path, packyoke: Command) -> None:
    torn = noon / "torn.log"
    data = (noon / "noon.log").read_bytes()
    torn.write_bytes(data[: data.rindex(b'"op":"report"')])
    assert packyoke("view", torn)[0] == FINE
