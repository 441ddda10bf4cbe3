"""The command line through its front door: what comes out, and the exit codes."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from adapters.cli.main import FINE, FOUND, UNREADABLE, USAGE
from adapters.cli.screens import WIDTH

Command = Callable[..., tuple[int, str, str]]


def test_the_bank_is_shown_as_the_log_leaves_it(noon: Path, packyoke: Command) -> None:
    code, out, err = packyoke("view", noon / "noon.log")
    assert (code, err) == (FINE, "")
    assert out.startswith("The bank at 0:06:40\n")
    assert max(len(line) for line in out.splitlines()) <= WIDTH
    for words in ("the bank may", "not above", "share of", "highest cell"):
        assert words in out


def test_the_view_is_the_core_s_own(noon: Path, packyoke: Command) -> None:
    """What `view --json` says at a minute is what the log recorded for that minute."""
    _, out, _ = packyoke("view", noon / "noon.log", "--at", "0:05", "--json")
    lines = (noon / "noon.log").read_text(encoding="utf-8").splitlines()
    at = lines.index('{"op":"step","t":300000}')
    assert json.loads(out) == json.loads(lines[at + 1])["answer"]["view"]


@pytest.mark.parametrize("limit", ["charge-current", "charge_current", "discharge-voltage"])
def test_reasons_are_listed_tightest_first(noon: Path, packyoke: Command, limit: str) -> None:
    code, out, _ = packyoke("why", limit, noon / "noon.log", "--json")
    assert code == FINE
    values = [json.loads(line)["value"] for line in out.splitlines()]
    assert len(values) > 2
    assert values == sorted(values, reverse=limit == "discharge-voltage")
    _, view, _ = packyoke("view", noon / "noon.log", "--json")
    field = limit.replace("-", "_")
    unit = "mv" if "voltage" in limit else "ma"
    assert values[0] == json.loads(view)[f"{field}_limit_{unit}"]


def test_the_log_may_stand_behind_the_options(noon: Path, packyoke: Command) -> None:
    one = packyoke("why", "charge-current", "--at", "0:05", noon / "noon.log")
    two = packyoke("why", "charge-current", noon / "noon.log", "--at", "0:05")
    assert one == two
    assert one[0] == FINE


def test_there_is_a_line_for_each_pack(noon: Path, packyoke: Command) -> None:
    _, out, _ = packyoke("packs", noon / "noon.log")
    assert [line.split()[0] for line in out.splitlines() if "here" in line] == ["fir", "oak"]
    _, out, _ = packyoke("packs", noon / "noon.log", "--json")
    assert [json.loads(line)["pack"] for line in out.splitlines()] == ["fir", "oak"]


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        ([], USAGE),
        (["fly"], USAGE),
        (["why", "volts", "x.log"], USAGE),
        (["view", "a.log", "b.log"], USAGE),
        (["view", "x.log", "--at", "noon"], USAGE),
        (["view", "x.log", "--every", "0"], USAGE),
        (["view", "missing.log"], UNREADABLE),
        (["replay", "missing.log"], UNREADABLE),
        (["check", "missing.toml"], UNREADABLE),
        (["simulate", "missing.toml"], UNREADABLE),
        (["simulate", "--save", "missing/day.log"], UNREADABLE),
        (["--version"], FINE),
        (["--help"], FINE),
    ],
)
def test_exit_codes_tell_what_went_wrong(
    arguments: list[str], code: int, packyoke: Command
) -> None:
    got, _, err = packyoke(*arguments)
    assert got == code
    assert bool(err) == bool(code)


def test_only_commands_that_exist_are_listed(packyoke: Command) -> None:
    _, out, _ = packyoke("--help")
    listed = re.findall(r"^    (\w+) ", out, re.MULTILINE)
    assert listed == [
        *("simulate", "init", "check", "run", "meter", "connect", "plug", "view", "why", "packs"),
        *("record", "replay", "device", "judge", "fuzz"),
    ]
    for command in listed:
        assert packyoke(command, "--help")[0] == FINE


def test_good_files_are_called_fine(noon: Path, packyoke: Command) -> None:
    code, out, _ = packyoke("check", noon / "noon.toml")
    assert code == FINE
    assert "a scenario of 2 packs" in out
    settings = noon / "site.toml"
    settings.write_text("[[packs]]\npack = 'oak'\n", encoding="utf-8")
    code, out, _ = packyoke("check", settings)
    assert code == FINE
    assert "settings for 1 pack" in out


def test_bad_files_exit_with_1_and_a_line_for_each_mistake(noon: Path, packyoke: Command) -> None:
    bad = noon / "bad.toml"
    bad.write_text("fresh_ms = 1\nname = 'x'\n[[packs]]\npack = 'Oak'\n", encoding="utf-8")
    code, out, err = packyoke("check", bad)
    assert (code, out) == (FOUND, "")
    assert [line.split(": ")[:2] for line in err.splitlines()] == [
        ["packyoke", f"{bad}:{n}"] for n in (1, 2, 4)
    ]
