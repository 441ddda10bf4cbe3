"""The command line through its front door: what goes in, what comes out, and the exit codes."""

import gzip
import json
import re
import shutil
from pathlib import Path

import pytest

from adapters.cli import main
from adapters.cli.main import FINE, FOUND, UNREADABLE, USAGE
from adapters.cli.screens import WIDTH

SCENARIO = """\
title = "two packs at noon (invented data)"
start_s = 43_200
duration_s = 400

[[packs]]
pack = "oak"
charge = 0.5

[[packs]]
pack = "fir"
capacity_ah = 100
charge_limit_a = 50
discharge_limit_a = 60

[bank]
reenable_ms = 0
"""


@pytest.fixture(scope="module")
def noon(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a scenario, its log and its picture, as `simulate` makes them."""
    folder = tmp_path_factory.mktemp("noon")
    (folder / "noon.toml").write_text(SCENARIO, encoding="utf-8")
    arguments = ["simulate", str(folder / "noon.toml"), "--save", str(folder / "noon.log")]
    assert main([*arguments, "--plot", str(folder / "noon.png")]) == FINE
    return folder


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    """Return exit code, standard output and standard error of one command."""
    capsys.readouterr()
    try:
        code = main([str(one) for one in arguments])
    except SystemExit as ended:  # argparse: usage, help, version
        code = int(ended.code or 0)
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return code, out, err


def test_a_day_is_told_on_one_screen(noon: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "simulate", noon / "noon.toml", "--plain-sum", "--all-knowing")
    assert code == FINE
    assert err == ""
    assert out.startswith("two packs at noon (invented data): 2 packs, 6 min 40 s, seed 1\n")
    lines = out.splitlines()
    assert max(len(line) for line in lines) <= WIDTH
    assert len(lines) <= 40
    for words in ("held by, longest first", "room left", "summed limits", "all-knowing"):
        assert words in out


def test_the_same_seed_gives_the_same_day(noon: Path, capsys: pytest.CaptureFixture[str]) -> None:
    days = [
        run(capsys, "simulate", noon / "noon.toml", "--json", "--seed", n)[1] for n in (5, 5, 6)
    ]
    assert days[0] == days[1]
    assert days[0] != days[2]


def test_a_day_as_json_has_a_line_for_each_limiter(
    noon: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = run(capsys, "simulate", noon / "noon.toml", "--json", "--plain-sum")
    days = [json.loads(line) for line in out.splitlines()]
    assert [day["limiter"] for day in days] == ["headroom", "plain_sum"]
    for day in days:
        assert {one["pack"] for one in day["packs"]} == {"oak", "fir"}
        assert sum(day["stage_s"].values()) == pytest.approx(400)


def test_the_picture_is_a_png_of_sensible_size(noon: Path) -> None:
    data = (noon / "noon.png").read_bytes()
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big")
    assert 800 <= width <= 1_600
    assert 800 <= height <= 1_600
    assert 10_000 < len(data) < 150_000


def test_a_picture_that_cannot_be_written_is_refused_before_the_day(
    noon: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, code in (("nowhere/day.png", UNREADABLE), ("day.bmp", FOUND)):
        got, out, err = run(capsys, "simulate", noon / "noon.toml", "--plot", noon / name)
        assert (got, out) == (code, "")
        assert err.count("\n") == 1
        assert name in err


def test_without_matplotlib_the_remedy_is_told(
    noon: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("adapters.cli.picture.find_spec", lambda name: None)
    code, _, err = run(capsys, "simulate", noon / "noon.toml", "--plot", noon / "day.png")
    assert code == UNREADABLE
    assert err == "packyoke: --plot needs matplotlib: pip install 'packyoke[plot]'\n"


def test_the_log_of_a_day_replays_to_the_bit(
    noon: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "replay", noon / "noon.log")
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


def test_a_tampered_answer_is_found(noon: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = (noon / "noon.log").read_text(encoding="utf-8").splitlines()
    number = max(n for n, line in enumerate(lines) if '"answer"' in line)
    view = json.loads(lines[number])["answer"]["view"]
    was = f'"charge_current_limit_ma":{view["charge_current_limit_ma"]}'
    copy = tampered(noon / "noon.log", was, '"charge_current_limit_ma":1', number)
    code, out, _ = run(capsys, "replay", copy)
    assert code == FOUND
    assert f"{copy}:{number}: the first difference, after 6 equal answers" in out
    assert "answer.view.charge_current_limit_ma: recorded 1, now " in out


def test_a_tampered_report_changes_what_follows(
    noon: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = (noon / "noon.log").read_text(encoding="utf-8").splitlines()
    seen = max(n for n, line in enumerate(lines) if '"answer"' in line)
    number = max(n for n, line in enumerate(lines[:seen]) if '"op":"report"' in line)
    copy = tampered(noon / "noon.log", '"charge_allowed":true', '"charge_allowed":false', number)
    code, out, _ = run(capsys, "replay", copy, "--json")
    assert code == FOUND
    told = json.loads(out)
    assert told["difference"]["line"] > number
    assert told["difference"]["recorded"] != told["difference"]["replayed"]


def test_a_log_without_answers_is_no_proof(noon: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bare = noon / "bare.log"
    lines = (noon / "noon.log").read_text(encoding="utf-8").splitlines(keepends=True)
    bare.write_text("".join(line for line in lines if '"answer"' not in line), encoding="utf-8")
    code, _, err = run(capsys, "replay", bare)
    assert code == FOUND
    assert "no recorded answers, so there is nothing to compare" in err


def test_the_bank_is_shown_as_the_log_leaves_it(
    noon: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "view", noon / "noon.log")
    assert (code, err) == (FINE, "")
    assert out.startswith("The bank at 0:06:40\n")
    assert max(len(line) for line in out.splitlines()) <= WIDTH
    for words in ("the bank may", "not above", "share of", "highest cell"):
        assert words in out


def test_the_view_is_the_core_s_own(noon: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What `view --json` says at a minute is what the log recorded for that minute."""
    _, out, _ = run(capsys, "view", noon / "noon.log", "--at", "0:05", "--json")
    lines = (noon / "noon.log").read_text(encoding="utf-8").splitlines()
    at = lines.index('{"op":"step","t":300000}')
    assert json.loads(out) == json.loads(lines[at + 1])["answer"]["view"]


def test_a_packed_log_is_read_like_any_other(
    noon: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    packed = noon / "noon.log.gz"
    with (noon / "noon.log").open("rb") as log, gzip.open(packed, "wb") as out:
        shutil.copyfileobj(log, out)
    assert run(capsys, "view", packed) == run(capsys, "view", noon / "noon.log")
    packed.write_bytes(packed.read_bytes()[:2_000])
    code, _, err = run(capsys, "view", packed)
    assert code == UNREADABLE
    assert "cannot be read" in err


@pytest.mark.parametrize("limit", ["charge-current", "charge_current", "discharge-voltage"])
def test_reasons_are_listed_tightest_first(
    noon: Path, capsys: pytest.CaptureFixture[str], limit: str
) -> None:
    code, out, _ = run(capsys, "why", limit, noon / "noon.log", "--json")
    assert code == FINE
    values = [json.loads(line)["value"] for line in out.splitlines()]
    assert len(values) > 2
    assert values == sorted(values, reverse=limit == "discharge-voltage")
    _, view, _ = run(capsys, "view", noon / "noon.log", "--json")
    field = limit.replace("-", "_")
    unit = "mv" if "voltage" in limit else "ma"
    assert values[0] == json.loads(view)[f"{field}_limit_{unit}"]


def test_the_log_may_stand_behind_the_options(
    noon: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = run(capsys, "why", "charge-current", "--at", "0:05", noon / "noon.log")
    two = run(capsys, "why", "charge-current", noon / "noon.log", "--at", "0:05")
    assert one == two
    assert one[0] == FINE


def test_there_is_a_line_for_each_pack(noon: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "packs", noon / "noon.log")
    assert [line.split()[0] for line in out.splitlines() if "here" in line] == ["fir", "oak"]
    _, out, _ = run(capsys, "packs", noon / "noon.log", "--json")
    assert [json.loads(line)["pack"] for line in out.splitlines()] == ["fir", "oak"]


def test_reports_alone_can_be_stepped_by_the_clock(
    noon: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A collector that knows reports only: no reset, no steps."""
    lines = (noon / "noon.log").read_text(encoding="utf-8").splitlines(keepends=True)
    reports = noon / "reports.log"
    reports.write_text("".join(one for one in lines if '"op":"report"' in one), encoding="utf-8")
    settings = noon / "settings.toml"
    settings.write_text("[[packs]]\npack='oak'\n[[packs]]\npack='fir'\n", encoding="utf-8")
    code, _, err = run(capsys, "view", reports)
    assert code == FOUND
    assert "give --settings FILE" in err
    code, _, err = run(capsys, "view", reports, "--settings", settings)
    assert code == FOUND
    assert "--every 1" in err
    code, out, _ = run(capsys, "view", reports, "--settings", settings, "--every", "1")
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
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, command: list[str]
) -> None:
    content, code, said = BAD_LOGS[name]
    log = tmp_path / ("LOG.gz" if "--follow" in command else "LOG")  # a growing file never ends
    log.write_bytes(gzip.compress(content) if log.suffix else content)
    got, _, err = run(capsys, *command, log)
    assert got == code
    assert err.count("\n") == 1
    if command != ["replay"]:
        assert said.replace("LOG", log.name) in err


def test_a_torn_last_line_is_passed_over(noon: Path, capsys: pytest.CaptureFixture[str]) -> None:
    torn = noon / "torn.log"
    data = (noon / "noon.log").read_bytes()
    torn.write_bytes(data[: data.rindex(b'"op":"report"')])
    assert run(capsys, "view", torn)[0] == FINE


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
    arguments: list[str], code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    got, _, err = run(capsys, *arguments)
    assert got == code
    assert bool(err) == bool(code)


def test_only_commands_that_exist_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "--help")
    listed = re.findall(r"^    (\w+) ", out, re.MULTILINE)
    assert listed == ["simulate", "view", "why", "packs", "record", "replay", "check", "device"]
    for command in listed:
        assert run(capsys, command, "--help")[0] == FINE


def test_good_files_are_called_fine(noon: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "check", noon / "noon.toml")
    assert code == FINE
    assert "a scenario of 2 packs" in out
    settings = noon / "site.toml"
    settings.write_text("[[packs]]\npack = 'oak'\n", encoding="utf-8")
    code, out, _ = run(capsys, "check", settings)
    assert code == FINE
    assert "settings for 1 pack" in out


def test_bad_files_exit_with_1_and_a_line_for_each_mistake(
    noon: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = noon / "bad.toml"
    bad.write_text("fresh_ms = 1\nname = 'x'\n[[packs]]\npack = 'Oak'\n", encoding="utf-8")
    code, out, err = run(capsys, "check", bad)
    assert (code, out) == (FOUND, "")
    assert [line.split(": ")[:2] for line in err.splitlines()] == [
        ["packyoke", f"{bad}:{n}"] for n in (1, 2, 4)
    ]
