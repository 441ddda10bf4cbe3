"""`packyoke judge`: the vectors against any bridge."""

import argparse
import json
import sys
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from time import monotonic
from typing import Any

from rich.console import Console, Group, RenderableType
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from adapters.cli import screens
from adapters.cli.rig.file import RigPlan, is_rig, load_rig
from adapters.cli.rig.running import RunningRig
from adapters.config import BadFileError
from aggregator.plain import json_text
from conformance.buses.stories import stories
from conformance.buses.target import BusTarget
from conformance.judge import ERROR, PASS, PROFILES, SKIP, VERDICTS, Judge, Verdict, with_known
from conformance.reports import (
    as_json,
    as_junit,
    as_markdown,
    case_plain,
    conformant,
    summary,
    verdict_line,
)
from conformance.requirements import BY_ID
from conformance.targets import ANSWER_S, Target, TargetNameError, open_target
from conformance.vectors import Case, VectorError, load, load_file

FINE, FOUND, USAGE, UNREADABLE, INTERRUPTED = 0, 1, 2, 3, 130
SHOWN_BYTES = 300  # of an answer

TARGET = "stdio:COMMAND, tcp:HOST:PORT, serial:PORT[@BAUD] or self (our own device)"
BUS_TARGET = "can:RIG.toml, modbus:RIG.toml, mqtt:RIG.toml or bus:RIG.toml (real buses, by a file)"


def add_judge(commands: Any) -> None:
    """Add `judge`."""
    text = "tell a bridge the kit's stories, and judge what comes back"
    made = commands.add_parser("judge", help=text, description=text)
    made.add_argument("target", metavar="TARGET", help=f"{TARGET}; or {BUS_TARGET}")
    made.add_argument("--profile", choices=PROFILES, default="basic", help="basic: merging, limits,"
                      " silence, requests; timed: and the daily charge; wire: hostile lines; all."
                      " Real buses have one of their own")  # fmt: skip
    made.add_argument(
        "--case", metavar="ID", action="append", help="this case only; may be repeated"
    )
    made.add_argument("--vectors", metavar="FILE", type=Path, help="the cases of this file instead")
    made.add_argument("--known", metavar="FILE", type=Path,
                      help='known failures, {"LIM-004": "why"}; one that passes is an error')  # fmt: skip
    made.add_argument("--strict", action="store_true", help="a missed SHOULD is found, too")
    made.add_argument("--answer-s", metavar="S", type=float, default=ANSWER_S,
                      help="seconds that an answer may take (2)")  # fmt: skip
    made.add_argument("--list", action="store_true", help="list the cases, and ask nothing")
    made.add_argument("--json", action="store_true", help="one object a line: each case, then all")
    made.add_argument("--report", metavar="FILE", type=Path, help="write the report as JSON")
    made.add_argument("--junit", metavar="FILE", type=Path, help="write it as JUnit XML")
    made.add_argument("--markdown", metavar="FILE", type=Path, help="write it as Markdown")
    made.set_defaults(run=run_judge)


def run_judge(chosen: argparse.Namespace) -> int:
    """Judge a target; what is known when Ctrl-C comes is printed all the same."""
    plan = load_rig(chosen.target) if is_rig(chosen.target) else None
    cases = _cases(chosen) if plan is None else _bus_cases(chosen, plan)
    known = _known(chosen.known, cases)
    if chosen.list:
        for case in cases:
            print(f"{case.id}  {case.level:6}  {case.title}")
        return FINE
    target = (
        open_named(chosen, f"; or {BUS_TARGET}") if plan is None else BusTarget(RunningRig(plan))
    )
    judge = Judge(target)
    verdicts: list[Verdict] = []
    interrupted = False
    try:
        with progress("judging", len(cases)) as advance:
            for verdict in with_known(judge.each(cases), known):
                verdicts.append(verdict)
                if chosen.json:
                    print(json_text(case_plain(verdict)), flush=True)
                advance()
    except KeyboardInterrupt:
        interrupted = True
    finally:
        target.close()
    identity = judge.last_identity
    if chosen.json:
        print(json_text(summary(chosen.target, identity, verdicts)))
    else:
        screens.console().print(_screen(chosen, judge, verdicts))
    _write(chosen, judge, verdicts)
    if interrupted:
        print(f"packyoke: interrupted after {len(verdicts)} of {len(cases)} cases", file=sys.stderr)
        return INTERRUPTED
    if verdicts and all(verdict.verdict == ERROR for verdict in verdicts):
        return UNREADABLE
    return FINE if conformant(verdicts, chosen.strict) else FOUND


def open_named(chosen: argparse.Namespace, besides: str = "") -> Target:
    """Return the target on the command line; leave with a line if it names none. `besides`: what
    else it might have been."""
    try:
        return open_target(chosen.target, chosen.answer_s)
    except TargetNameError as error:
        print(f"packyoke: {error}{besides}", file=sys.stderr)
        raise SystemExit(USAGE) from None
    except ModuleNotFoundError:
        print("packyoke: serial: needs pyserial: pip install 'packyoke[serial]'", file=sys.stderr)
        raise SystemExit(UNREADABLE) from None


def _cases(chosen: argparse.Namespace) -> tuple[Case, ...]:
    try:
        cases = load_file(chosen.vectors) if chosen.vectors else load(PROFILES[chosen.profile])
        everything = cases if chosen.vectors else load()
    except VectorError as error:
        raise BadFileError([str(error)]) from error
    return _picked(chosen, cases, everything)


def _bus_cases(chosen: argparse.Namespace, plan: RigPlan) -> tuple[Case, ...]:
    """Return the stories for a rig; leave with a line if others are asked for."""
    if chosen.vectors:
        print("packyoke: --vectors: not on real buses: their stories follow from the rig",
              file=sys.stderr)  # fmt: skip
        raise SystemExit(USAGE)
    cases = stories(plan.settings, plan.healthy, plan.react_ms, plan.tells)
    return _picked(chosen, cases, cases)


def _picked(
    chosen: argparse.Namespace, cases: tuple[Case, ...], everything: tuple[Case, ...]
) -> tuple[Case, ...]:
    """Return the cases that --case names, or all; leave with a line if one is unknown."""
    if not chosen.case:
        return cases
    by_id = {case.id: case for case in everything}
    unknown = [name for name in chosen.case if name not in by_id]
    if unknown:
        print(f"packyoke: --case: no such case: {', '.join(unknown)}", file=sys.stderr)
        raise SystemExit(USAGE)
    return tuple(by_id[name] for name in chosen.case)


def _known(path: Path | None, cases: tuple[Case, ...]) -> dict[str, str]:
    """Read the known failures; an id that no vector has is a mistake."""
    if path is None:
        return {}
    try:
        plain = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise BadFileError([f"{path}: not JSON: {error}"]) from error
    if not isinstance(plain, dict) or not all(isinstance(why, str) for why in plain.values()):
        raise BadFileError([f'{path}: expected an object such as {{"LIM-004": "why"}}'])
    ids = {case.id for case in (*cases, *load())}
    strange = sorted(set(plain) - ids)
    if strange:
        raise BadFileError([f"{path}: no such case: {', '.join(strange)}"])
    return plain


def _write(chosen: argparse.Namespace, judge: Judge, verdicts: list[Verdict]) -> None:
    """Write every report that is asked for; one that cannot be written keeps no other back."""
    identity = judge.last_identity
    reports: tuple[tuple[Path | None, Callable[[], str]], ...] = (
        (
            chosen.report,
            lambda: json.dumps(as_json(chosen.target, identity, verdicts), indent=1) + "\n",
        ),
        (chosen.junit, lambda: as_junit(chosen.target, verdicts)),
        (chosen.markdown, lambda: as_markdown(chosen.target, identity, verdicts)),
    )
    complaints = []
    for path, text in reports:
        if path is not None:
            try:
                path.write_text(text(), encoding="utf-8")
            except OSError as error:
                complaints.append(f"{path}: cannot be written: {error.strerror or error}")
    if complaints:
        raise BadFileError(complaints, unreadable=True)


def _screen(chosen: argparse.Namespace, judge: Judge, verdicts: list[Verdict]) -> RenderableType:
    """What a person sees: every case that did not pass, a table of areas, the last word."""
    parts: list[RenderableType] = []
    shown = [verdict for verdict in verdicts if verdict.verdict not in (PASS, SKIP)]
    told: dict[str, int] = {}
    for verdict in shown:
        told[verdict.detail] = told.get(verdict.detail, 0) + 1
        if told[verdict.detail] <= 3 or verdict.verdict != ERROR:
            parts += [_told(verdict), Text()]
    hidden = len(shown) - len(parts) // 2
    if hidden:
        parts += [Text(f"and {hidden} more that ended the same way"), Text()]
    table = screens.table("area", *(name.replace("_", " ") for name in VERDICTS))
    for area in dict.fromkeys(verdict.case.area for verdict in verdicts):
        of_area = [verdict for verdict in verdicts if verdict.case.area == area]
        counts = [sum(1 for v in of_area if v.verdict == name) for name in VERDICTS]
        table.add_row(area, *(str(count) if count else "" for count in counts))
    identity = judge.last_identity
    who = f"{identity.name} {identity.version}" if identity else "nobody answered"
    parts += [Text(f"{who} behind {chosen.target}"), table, Text(verdict_line(verdicts))]
    return Group(*parts)


def _told(verdict: Verdict) -> RenderableType:
    """One case: what was sent, what came back, and why it matters."""
    case = verdict.case
    rows = [("seen", verdict.detail)]
    if verdict.sent:
        rows.append(("sent", verdict.sent[:SHOWN_BYTES]))
    if verdict.came is not None and "view" not in verdict.came:
        rows.append(("came", json.dumps(verdict.came)[:SHOWN_BYTES]))
    if verdict.verdict != ERROR:
        for name in case.requirements:
            rows.append((BY_ID[name].level.upper(), f"{name}: {BY_ID[name].text}"))
        rows.append(("harm", case.harm))
    grid = Table.grid(padding=(0, 1))
    for name, value in rows:
        grid.add_row("", Text(name, style="dim"), Text(value))
    heading = f"{case.id}  {verdict.verdict.replace('_', ' ')}: {case.title}"
    return Group(Text(heading, style="bold"), grid)


@contextmanager
def progress(what: str, total: int) -> Iterator[Any]:
    """A bar on standard error, if that is a terminal.

    The block gets a function to call, with the number of cases done since it was last called.
    """
    bar = Progress(
        TextColumn(what),
        BarColumn(complete_style="none", finished_style="none"),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
        disable=not sys.stderr.isatty(),
    )
    task = bar.add_task("", total=total, rate="")
    times: deque[tuple[float, int]] = deque([(monotonic(), 0)], maxlen=50)

    def advance(cases: int = 1) -> None:
        times.append((monotonic(), times[-1][1] + cases))
        (began, first), (now, last) = times[0], times[-1]
        rate = (last - first) / max(now - began, 1e-6)
        bar.update(task, advance=cases, rate=f"{rate:.0f} cases/s")

    with bar:
        yield advance
