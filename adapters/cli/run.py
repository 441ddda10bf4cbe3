"""`packyoke run SITE.toml`: the gateway; with --listen-only, ears and no mouth."""

import argparse
import asyncio
import json
import os
import sys
from functools import partial
from pathlib import Path
from typing import Any

from attrs import asdict
from rich.console import Group, RenderableType
from rich.text import Text

from adapters import words
from adapters.cli.bank import seconds_ms
from adapters.cli.screens import amps, console, table
from adapters.gateway.alone import alone
from adapters.gateway.journal import Journal
from adapters.gateway.listening import Episode, Muted, PackWatch, Watch
from adapters.gateway.runtime import monotonic_ms
from adapters.gateway.service import (
    listening,
    rehearsed,
    serve,
    speaking,
    tell_of_libraries,
    warn_of_another,
)
from adapters.gateway.site_file import SitePlan, load_site

WEEK_S = 604_800


def add(commands: Any) -> None:
    """Add the command."""
    text = "run the gateway that a site's file describes, until it is stopped"
    made = commands.add_parser("run", help=text, description=text)
    made.add_argument("site", type=Path, metavar="SITE.toml", help="settings, packs and links")
    either = made.add_mutually_exclusive_group()  # nobody listens to real packs in a hurry
    either.add_argument("--listen-only", action="store_true",
                        help="hear everything, say nothing; at the end, tell what would have differed")  # fmt: skip
    made.add_argument("--lasts", type=partial(seconds_ms, most_s=WEEK_S), metavar="SECONDS",
                      help="stop after so long")  # fmt: skip
    either.add_argument("--rehearse", type=speed, default=1.0, metavar="N",
                        help="let the bank's clock run N times as fast: for simulated packs, never for real ones")  # fmt: skip
    made.add_argument("--json", action="store_true", help="tell events as one JSON object a line")
    made.set_defaults(run=run)


def speed(text: str) -> float:
    """Return "60" as a factor."""
    try:
        factor = float(text)
    except ValueError:
        factor = 0.0
    if not 1.0 <= factor <= 1_000.0:
        raise argparse.ArgumentTypeError(f"expected 1..1000, got {text!r}")
    return factor


def run(chosen: argparse.Namespace) -> int:
    """Run until stopped."""
    plan = load_site(chosen.site)
    journal = Journal(sys.stderr, chosen.json)
    tell_of_libraries(journal)
    rehearsal = chosen.rehearse != 1.0
    _begun(plan, journal, chosen.listen_only, plan.record(rehearsal))
    lasts_s = None if chosen.lasts is None else chosen.lasts / 1_000
    if not chosen.listen_only:
        if rehearsal:
            journal.tell("rehearsal", f"a rehearsal: the clock runs {chosen.rehearse:g} times as fast;"
                         " never with real packs; the site's own state and history are left alone",
                         speed=f"{chosen.rehearse:g}")  # fmt: skip
        clock_ms = rehearsed(chosen.rehearse) if rehearsal else monotonic_ms
        with alone(plan.file(plan.gateway.state)):
            asyncio.run(serve(speaking(plan, journal, clock_ms), lasts_s))
        return 0
    warn_of_another(plan, journal)
    gateway, watch, muted = listening(plan, journal)
    started_ms = gateway.now_ms()
    asyncio.run(serve(gateway, lasts_s))
    if chosen.json:
        print(json.dumps(_plain(watch, muted, started_ms)))
    else:
        console().print(listen_screen(watch, muted, started_ms))
    return 0


def _begun(plan: SitePlan, journal: Journal, listen_only: bool, name: str) -> None:
    """Tell what begins, as what was meant and what runs may differ. `name`: of the history."""
    what = "listens, and says nothing" if listen_only else "hears and speaks"
    record = None if listen_only else name or None
    history = f"history in {record}" if record else "no history is kept"
    packs = words.counted(len(plan.settings.packs), "pack")
    links = words.counted(len(plan.links), "link")
    journal.tell("started", f"{plan.path}: {what}; {packs}, {links}; {history}; Ctrl-C stops",
                 site=str(plan.path), listen_only=listen_only, record=record)  # fmt: skip
    for file in () if listen_only else map(plan.file, (plan.gateway.state, name)):
        if file is not None and not os.access(file.parent, os.W_OK):
            journal.tell("trouble", f"{file}: cannot be kept: its folder is not there, or this user"
                         " may not write to it")  # fmt: skip


def _plain(watch: Watch, muted: list[Muted], started_ms: int) -> dict[str, object]:
    return {
        "bank": asdict(watch.bank),
        "packs": {name: asdict(one) for name, one in sorted(watch.packs.items())},
        "would_have_said": {
            one.name: {"times": one.counts.dropped, "examples": [text for _, text in one.examples]}
            for one in muted
        },
        "started_ms": started_ms,
    }


def listen_screen(watch: Watch, muted: list[Muted], started_ms: int) -> RenderableType:
    """Return what was found out while listening."""
    if not watch.packs:
        return Text("No pack was heard: look at the lines above for trouble with the links.")
    parts: list[RenderableType] = [Text("Each pack against its own limit, as it is run today")]
    made = table("pack", "direction", "listened", "above", "worst", "own limit then", "after")
    for name, one in sorted(watch.packs.items()):
        _rows(made, name, one, started_ms)
    parts.append(made)
    parts.append(Text("The whole bank against what would have been asked for"))
    made = table("bank", "direction", "listened", "above", "worst", "our limit then", "after")
    _rows(made, "all", watch.bank, started_ms)
    parts.append(made)
    if not watch.bank.charge.heard_s and not watch.bank.discharge.heard_s:
        parts.append(Text("Too short to compare: a start begins at 0 and takes a minute or two."))
    for link in muted:
        parts.append(
            Text(f"{link.name}: would have said {words.counted(link.counts.dropped, 'thing')}")
        )
        parts += [Text(f"  {text}", overflow="ellipsis", no_wrap=True) for _, text in link.examples]
    return Group(*parts)


def _rows(made: Any, name: str, one: PackWatch, started_ms: int) -> None:
    for way, episode in (("charge", one.charge), ("discharge", one.discharge)):
        made.add_row(name, way, words.duration(round(episode.heard_s * 1_000)),
                     *_worst(episode, started_ms))  # fmt: skip


def _worst(episode: Episode, started_ms: int) -> tuple[str, str, str, str]:
    if episode.at_ms is None:
        return "never", "-", "-", "-"
    over = words.duration(round(episode.over_s * 1_000))
    after = words.duration(episode.at_ms - started_ms)
    return over, amps(episode.carried_ma), amps(episode.limit_ma), after
