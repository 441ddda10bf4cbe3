"""`packyoke view`, `why` and `packs`: the bank as a log or a stream of reports leaves it."""

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO

from rich.console import Console
from rich.live import Live

from adapters.cli.screens import WIDTH, bank_screen, packs_screen, why_screen
from adapters.config import BadFileError
from adapters.log import BadLogError, entries
from aggregator import LIMITS
from aggregator.plain import cap_to_plain, json_text
from conformance.device import Device

NO_STEP = "no step in it, so there is nothing to show; a log needs reset, report and step lines"


def _add(commands: Any, name: str, text: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = commands.add_parser(name, help=text, description=text)
    made.add_argument("--json", action="store_true", help="print one JSON object a line")
    return made


def _add_log(made: argparse.ArgumentParser) -> None:
    made.add_argument("log", nargs="?", default="-", metavar="LOG",
                      help="a log or a file of driver lines; - or nothing: standard input")  # fmt: skip


def add_view(commands: Any) -> None:
    """Add `view`."""
    made = _add(commands, "view", "show the whole bank on one screen")
    _add_log(made)
    made.add_argument("--follow", action="store_true", help="redraw at every step")
    made.set_defaults(run=run_view)


def add_why(commands: Any) -> None:
    """Add `why`."""
    made = _add(commands, "why", "show every reason for a limit, tightest first")
    made.add_argument("limit", choices=[name.replace("_", "-") for name in LIMITS])
    _add_log(made)
    made.set_defaults(run=run_why)


def add_packs(commands: Any) -> None:
    """Add `packs`."""
    made = _add(commands, "packs", "show one line for each pack")
    _add_log(made)
    made.set_defaults(run=run_packs)


@contextmanager
def opened(name: str) -> Iterator[TextIO]:
    """Open a log, or standard input for "-"."""
    if name == "-":
        yield sys.stdin
        return
    try:
        log = Path(name).open(encoding="utf-8", errors="replace")  # noqa: SIM115  # closed below
    except OSError as error:
        reason = (error.strerror or "cannot be read").lower()
        raise BadFileError([f"{name}: {reason}; check the name"], unreadable=True) from None
    with log:
        yield log


def _steps(log: TextIO, name: str, device: Device) -> Iterator[dict[str, Any]]:
    """Run the log through the aggregator; yield the view of every step."""
    for number, request, _ in entries(log, name):
        answer = device.answer(request)
        if not answer["ok"] and request.get("op") in ("reset", "step"):
            raise BadLogError(f"{name}:{number}: {answer['error']}")
        if "view" in answer:
            yield answer["view"]  # type: ignore[misc]  # a plain dict


def _last(chosen: argparse.Namespace, device: Device) -> dict[str, Any]:
    """Return the last view of a log."""
    view: dict[str, Any] | None = None
    with opened(chosen.log) as log:
        for latest in _steps(log, chosen.log, device):
            view = latest
    if view is None:
        raise BadLogError(f"{chosen.log}: {NO_STEP}")
    return view


def run_view(chosen: argparse.Namespace) -> int:
    """Show the bank."""
    console = Console(width=WIDTH, highlight=False)
    if not chosen.follow:
        view = _last(chosen, Device())
        if chosen.json:
            print(json_text(view))
        else:
            console.print(bank_screen(view))
        return 0
    with opened(chosen.log) as log, Live(console=console, auto_refresh=False) as live:
        for view in _steps(log, chosen.log, Device()):
            if chosen.json:
                print(json_text(view), flush=True)
            else:
                live.update(bank_screen(view), refresh=True)
    return 0


def run_why(chosen: argparse.Namespace) -> int:
    """Show the reasons for a limit."""
    device = Device()
    _last(chosen, device)
    limit = chosen.limit.replace("-", "_")
    caps = device.bank.why(limit) if device.bank else []
    if chosen.json:
        for cap in caps:
            print(json_text(cap_to_plain(cap)))
    else:
        Console(width=WIDTH, highlight=False).print(why_screen(limit, caps))
    return 0


def run_packs(chosen: argparse.Namespace) -> int:
    """Show the packs."""
    view = _last(chosen, Device())
    if chosen.json:
        for row in view["packs"]:
            print(json_text(row))
    else:
        Console(width=WIDTH, highlight=False).print(packs_screen(view))
    return 0
