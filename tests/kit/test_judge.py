"""Each double gets the verdict it deserves, and no target keeps the rest from being judged."""

import json
import sys
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest

from adapters.cli.main import main
from conformance.judge import Judge, Verdict, counted, with_known
from conformance.reports import as_json, as_junit, as_markdown, conformant, safe, verdict_line
from conformance.targets import OwnDevice, Target, open_target
from conformance.vectors import Case, Plain, load, load_file

CASES = load()
BY_ID = {case.id: case for case in CASES}


def double(name: str) -> str:
    """The target that runs a double."""
    return f"stdio:{sys.executable} -m conformance.doubles {name}"


def judged(name: str, *ids: str, answer_s: float = 2.0) -> dict[str, Verdict]:
    """The verdicts on a double, by case; no ids: every case."""
    target = open_target(double(name), answer_s)
    cases = [BY_ID[case] for case in ids] or CASES
    verdicts = {v.case.id: v for v in Judge(target).each(cases)}
    target.close()
    return verdicts


class Answers(OwnDevice):
    """Our own device, but for what `change` makes of its answers."""

    def __init__(self, change: Callable[[Plain, Plain], Plain]) -> None:
        super().__init__()
        self.change = change

    def ask(self, request: Plain) -> Plain:
        return self.change(request, super().ask(request))


def test_zero_is_safe_and_of_no_use() -> None:
    """Allowing nothing meets every MUST that keeps the packs safe, and misses only usefulness."""
    verdicts = judged("zero")
    missed = {v.case.id: v for v in verdicts.values() if v.verdict != "pass"}
    assert [v.case.id for v in missed.values() if v.case.aim == "safety"] == []
    assert not [v for v in verdicts.values() if v.verdict in ("error", "skip")]
    for name in ("LIM-081", "LIM-082", "WSH-015"):  # it never opens
        assert name in missed
    assert safe(list(verdicts.values()))
    assert not conformant(list(verdicts.values()))
    assert "it allows too little to be of use" in verdict_line(list(verdicts.values()))


def test_max_is_dangerous() -> None:
    """Allowing everything misses most of what keeps the packs safe."""
    verdicts = list(judged("max").values())
    safety = [v for v in verdicts if v.case.aim == "safety" and v.case.area != "wire"]
    assert sum(v.verdict == "must_missed" for v in safety) > len(safety) * 3 // 4
    assert not safe(verdicts)


def test_the_liar_is_caught() -> None:
    """Permissions that do not agree with limits, and a yes to everything."""
    verdicts = judged("liar", "LIM-001", "LIM-010", "WSH-046")
    assert verdicts["LIM-001"].verdict == "pass"
    flag = next(v for v in verdicts.values() if "REQ-LIM-06" in v.case.requirements)
    assert flag.verdict == "must_missed"
    assert "allowed expected false, got true" in flag.detail
    assert verdicts["WSH-046"].verdict == "must_missed"


def test_echo_and_garbage_cannot_be_judged() -> None:
    """What came is shown; after a few cases nothing more is asked."""
    verdicts = list(judged("echo", *list(BY_ID)[:8]).values())
    assert {v.verdict for v in verdicts} == {"error"}
    assert 'not an object with "ok"' in verdicts[0].detail
    assert "7b 22 6f 70" in verdicts[0].detail  # {"op
    assert verdicts[-1].detail.startswith("not asked")
    assert verdict_line(verdicts) == "Nothing could be judged."


def test_a_crash_ends_one_case() -> None:
    """The case it died in is an error with its last words; the others are judged."""
    verdicts = judged("crash", "LIM-002", "SIL-045", "LIM-003", "SIL-045")
    assert verdicts["LIM-002"].verdict == "error"
    assert "battery not found" in verdicts["LIM-002"].detail
    assert verdicts["LIM-003"].verdict == "error"
    assert verdicts["SIL-045"].verdict == "pass"


@pytest.mark.parametrize(("name", "told"), [("hang", "no answer within 0.2 s"), ("flood", "")])
def test_silence_and_floods_are_cut_off(name: str, told: str) -> None:
    """Hello, and then nothing, or far too much: an error, and after a few cases no more."""
    verdicts = list(judged(name, *list(BY_ID)[:6], answer_s=0.2).values())
    assert {v.verdict for v in verdicts} == {"error"}
    assert told in verdicts[0].detail
    assert verdicts[5].detail.startswith("not asked")


def test_slow_is_fine_until_the_watchdog() -> None:
    """An answer that takes 20 ms is an answer; not where 10 ms are all it may take."""
    assert judged("slow", "SIL-045")["SIL-045"].verdict == "pass"
    late = judged("slow", "SIL-045", answer_s=0.01)["SIL-045"]
    assert late.verdict == "error"


def test_what_is_not_supported_is_skipped() -> None:
    """By its own word, or because it does not know an operation."""

    def modest(request: Plain, answer: Plain) -> Plain:
        if request["op"] == "hello":
            return {**answer, "supports": ["limits", "time"]}
        return {"ok": False, "error": "unsupported"} if request["op"] == "may_speak" else answer

    verdicts = {v.case.id: v for v in Judge(Answers(modest)).each(CASES)}
    assert {v.verdict for v in verdicts.values() if v.case.area == "merge"} == {"skip"}
    assert verdicts["SIL-045"].verdict == "skip"
    assert verdicts["LIM-001"].verdict == "pass"


def test_without_virtual_time_the_judge_waits() -> None:
    """A step 4 s on is sent 4 s later; what would take minutes is skipped."""
    waited: list[float] = []

    def timeless(request: Plain, answer: Plain) -> Plain:
        hello = request["op"] == "hello"
        return {**answer, "supports": ["merge", "limits", "stages"]} if hello else answer

    judge = Judge(Answers(timeless), wait=waited.append)
    assert judge.one(BY_ID["LIM-001"]).verdict == "pass"
    assert max(waited) == pytest.approx(4.0, abs=0.5)  # from its first step, at 1 s
    long = next(case for case in CASES if case.duration_ms > 1_000_000)
    assert "real time" in judge.one(long).detail


def test_a_refusal_of_what_is_fine_is_a_miss() -> None:
    """A bridge that refuses good reports has missed what the case asks."""

    def picky(request: Plain, answer: Plain) -> Plain:
        return {"ok": False, "error": "no"} if request["op"] == "report" else answer

    verdict = Judge(Answers(picky)).one(BY_ID["LIM-001"])
    assert verdict.verdict == "must_missed"
    assert "refuses what it should take: no" in verdict.detail


def test_known_failures_can_only_shrink() -> None:
    """A listed failure is skipped; a listed case that passes is an error."""

    def generous(request: Plain, answer: Plain) -> Plain:
        if "view" in answer:
            answer["view"]["charge_current_limit_ma"] = 10**6
        return answer

    cases = [BY_ID["LIM-001"], BY_ID["LIM-033"], BY_ID["MRG-001"]]
    known = {"LIM-001": "scale error, being mended", "MRG-001": "mended long ago"}
    verdicts = list(with_known(Judge(Answers(generous)).each(cases), known))
    assert [v.verdict for v in verdicts] == ["skip", "pass", "error"]
    assert "scale error" in verdicts[0].detail
    assert "take it off" in verdicts[2].detail


def verdicts_of_all_kinds() -> list[Verdict]:
    """One of each, with characters that XML cannot carry."""
    words = ["pass", "must_missed", "should_missed", "may_differs", "error", "skip"]
    return [
        Verdict(case, word, f"seen \x00 | <{word}>\nmore", '{"op":"step"}', {"ok": True})
        for case, word in zip(CASES, words, strict=False)
    ]


def test_the_reports_tell_the_same() -> None:
    """JSON, JUnit and Markdown have every case, and the same counts."""
    verdicts = verdicts_of_all_kinds()
    told = as_json("self", None, verdicts)
    assert told["counts"] == counted(verdicts) == dict.fromkeys(told["counts"], 1)
    assert len(told["cases"]) == 6
    assert told["conformant"] is False
    json.dumps(told)
    root = ElementTree.fromstring(as_junit("self", verdicts))
    suite = root.find("testsuite")
    assert suite is not None
    assert {key: suite.get(key) for key in ("tests", "failures", "errors", "skipped")} == {
        "tests": "6", "failures": "1", "errors": "1", "skipped": "1",
    }  # fmt: skip
    assert len(root.findall(".//testcase")) == 6
    assert len(root.findall(".//system-out")) == 2
    page = as_markdown("self", None, verdicts)
    assert "| merge | 1 | 1 | 1 | 1 | 1 | 1 |" in page
    assert "seen \x00 \\| <must_missed>" in page


def test_judge_self_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Our own device passes the basic profile, and the files are written."""
    names = ["report.json", "junit.xml", "page.md"]
    options = ["--report", "--junit", "--markdown"]
    files = [part for pair in zip(options, names, strict=True) for part in pair]
    files = [str(tmp_path / part) if part in names else part for part in files]
    assert main(["judge", "self", *files]) == 0
    assert "Every MUST is met." in capsys.readouterr().out
    report = json.loads((tmp_path / "report.json").read_text())
    assert report["conformant"] is True
    assert report["name"] == "packyoke"
    assert all((tmp_path / name).stat().st_size > 100 for name in names)


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        (["judge", "usb:1"], 2, "expected stdio:COMMAND"),
        (["judge", "usb:1"], 2, "can:RIG.toml"),
        (["judge", "self", "--case", "LIM-999"], 2, "no such case: LIM-999"),
        (["judge", "self", "--vectors", "none.json"], 3, "none.json"),
        (["judge", "stdio:/does/not/exist", "--case", "LIM-001"], 3, "does not start"),
        (
            ["judge", "serial:/does/not/exist", "--case", "LIM-001"],
            3,
            "serial:/does/not/exist does not start: No such file or directory\n",
        ),
        (["judge", double("liar"), "--case", "LIM-010"], 1, "REQ-LIM-06"),
        (["judge", "self", "--list", "--case", "LIM-001"], 0, "LIM-001  must"),
    ],
)
def test_exit_codes(
    arguments: list[str], code: int, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """0 fine, 1 found, 2 usage, 3 nothing could be judged."""
    try:
        got = main(arguments)
    except SystemExit as error:
        got = int(str(error.code))
    streams = capsys.readouterr()
    assert told in streams.out + streams.err
    assert got == code


@pytest.mark.parametrize("text", ["{", "[]", '{"LIM-999": "?"}', '{"LIM-001": 5}'])
def test_a_bad_list_of_known_failures(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is told in one line."""
    path = tmp_path / "known.json"
    path.write_text(text)
    assert main(["judge", "self", "--known", str(path), "--case", "LIM-001"]) == 1
    assert str(path) in capsys.readouterr().err


def test_json_lines(capsys: pytest.CaptureFixture[str]) -> None:
    """One object a case, and the summary last."""
    assert main(["judge", "self", "--json", "--case", "LIM-001", "--case", "MRG-001"]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [row.get("id") for row in rows] == ["LIM-001", "MRG-001", None]
    assert rows[-1]["counts"]["pass"] == 2


def test_an_interruption_keeps_what_is_known(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C in the third case: two verdicts are printed, and the code is 130."""
    plain_one = Judge.one
    asked: list[Case] = []

    def one(self: Judge, case: Case) -> Verdict:
        asked.append(case)
        if len(asked) == 3:
            raise KeyboardInterrupt
        return plain_one(self, case)

    monkeypatch.setattr(Judge, "one", one)
    assert main(["judge", "self"]) == 130
    streams = capsys.readouterr()
    assert "merge     2" in streams.out.replace("  ", " ").replace("  ", " ") or "2" in streams.out
    assert "interrupted after 2 of" in streams.err


def test_a_file_of_ones_own(tmp_path: Path) -> None:
    """A vector written by hand is judged like the kit's own."""
    path = tmp_path / "mine.json"
    step = {"op": "step", "t": 0, "expect": {"view.charge_current_limit_ma": {"eq": 0}}}
    path.write_text(json.dumps({
        "kit": 1, "area": "mine", "settings": {"packs": [{"pack": "oak"}]},
        "cases": [{"id": "OWN-001", "title": "nobody is there", "level": "must",
                   "requirements": ["REQ-LIM-19"], "catches": "-", "harm": "-", "steps": [step]}],
    }))  # fmt: skip
    assert main(["judge", "self", "--vectors", str(path)]) == 0
    (case,) = load_file(path)
    assert case.aim == "safety"
    assert isinstance(open_target("self"), Target)
