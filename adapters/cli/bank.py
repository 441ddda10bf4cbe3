"""`packyoke view`, `why` and `packs`: the bank as a log or a stream of reports leaves it."""

import argparse
import re
import time
from pathlib import Path
from typing import Any

from rich.console import Console, RenderableType
from rich.live import Live

from adapters.cli.playback import NO_STEP, Playback, growing, opened
from adapters.cli.screens import bank_screen, console, packs_screen, why_screen
from adapters.config import load_settings
from adapters.log import BadLogError
from aggregator import LIMITS
from aggregator.plain import cap_to_plain, json_text, view_to_plain

REDRAW_S = 0.25


def _add(commands: Any, name: str, text: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = commands.add_parser(name, help=text, description=text)
    made.add_argument("--json", action="store_true", help="print one JSON object a line")
    return made


def _add_log(made: argparse.ArgumentParser) -> None:
    made.add_argument("log", nargs="?", default="", metavar="LOG",
                      help="a log or a file of driver lines; - or nothing: standard input")  # fmt: skip
    made.add_argument("--at", type=moment_ms, metavar="H:MM",
                      help="as it was at this time, counted as the log counts")  # fmt: skip
    add_settings(made)


def add_settings(made: argparse.ArgumentParser) -> None:
    """Add what a stream of bare reports needs."""
    made.add_argument("--settings", type=Path, metavar="FILE",
                      help="settings, for a stream without a reset")  # fmt: skip
    made.add_argument("--every", type=seconds_ms, metavar="SECONDS",
                      help="step so often, for a stream without steps")  # fmt: skip


def moment_ms(text: str) -> int:
    """Return "10:45" or "10:45:30" in ms."""
    found = re.fullmatch(r"(\d{1,3}):([0-5]\d)(?::([0-5]\d))?", text)
    if found is None:
        raise argparse.ArgumentTypeError(f"expected a time such as 10:45, got {text!r}")
    hours, minutes, seconds = (int(part or 0) for part in found.groups())
    return (hours * 3_600 + minutes * 60 + seconds) * 1_000


def seconds_ms(text: str, most_s: int = 3_600) -> int:
    """Return "0.5" in ms."""
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0.01 <= seconds <= most_s:
        raise argparse.ArgumentTypeError(f"expected 0.01..{most_s} seconds, got {text!r}")
    return round(seconds * 1_000)


def add_view(commands: Any) -> None:
    """Add `view`."""
    made = _add(commands, "view", "show the whole bank on one screen")
    _add_log(made)
    made.add_argument("--follow", action="store_true", help="go on as the log grows")
    made.set_defaults(run=run_view)


def add_why(commands: Any) -> None:
    """Add `why`."""
    made = _add(commands, "why", "show every reason for a limit, tightest first")
    made.add_argument("limit", type=lambda text: text.replace("_", "-").replace(" ", "-"),
                      choices=[name.replace("_", "-") for name in LIMITS])  # fmt: skip
    _add_log(made)
    made.set_defaults(run=run_why)


def add_packs(commands: Any) -> None:
    """Add `packs`."""
    made = _add(commands, "packs", "show one line for each pack")
    _add_log(made)
    made.set_defaults(run=run_packs)


def _playback(chosen: argparse.Namespace) -> Playback:
    return Playback(None if chosen.settings is None else load_settings(chosen.settings))


def _played(chosen: argparse.Namespace) -> tuple[Playback, dict[str, Any]]:
    """Run the log; return the playback and the last view as plain values."""
    playback = _playback(chosen)
    with Console(stderr=True).status(f"running {chosen.log}", spinner="line"):
        view = playback.last(chosen.log, chosen.every, chosen.at)
    return playback, view_to_plain(view)


def run_view(chosen: argparse.Namespace) -> int:
    """Show the bank."""
    if chosen.follow:
        return _follow(chosen)
    playback, view = _played(chosen)
    if chosen.json:
        print(json_text(view))
    else:
        console().print(bank_screen(view, playback.readings, playback.now_ms))
    return 0


def _follow(chosen: argparse.Namespace) -> int:
    """Show the bank at every step; on a terminal in place, not oftener than one can read."""
    playback = _playback(chosen)
    screen = console()

    def drawn() -> RenderableType:
        assert playback.view is not None  # there was a step
        view = view_to_plain(playback.view)
        return bank_screen(view, playback.readings, playback.now_ms)

    due_s = 0.0
    with opened(chosen.log) as log, Live(console=screen, auto_refresh=False) as live:
        for view in playback.steps(growing(log, chosen.log), chosen.log, chosen.every, chosen.at):
            if chosen.json:
                print(json_text(view_to_plain(view)), flush=True)
            elif screen.is_terminal and time.monotonic() >= due_s:
                due_s = time.monotonic() + REDRAW_S
                live.update(drawn(), refresh=True)
        if playback.view is None:
            raise BadLogError(f"{chosen.log}: {NO_STEP}")
        if not chosen.json:
            live.update(drawn(), refresh=True)
    return 0


def run_why(chosen: argparse.Namespace) -> int:
    """Show the reasons for a limit."""
    playback, _ = _played(chosen)
    limit = chosen.limit.replace("-", "_")
    caps = playback.device.bank.why(limit) if playback.device.bank else []
    if chosen.json:
        for cap in caps:
            print(json_text(cap_to_plain(cap)))
    else:
        console().print(why_screen(limit, caps))
    return 0


def run_packs(chosen: argparse.Namespace) -> int:
    """Show the packs."""
    playback, view = _played(chosen)
    if chosen.json:
        for row in view["packs"]:
            print(json_text(row))
    else:
        console().print(packs_screen(view, playback.readings))
    return 0
