"""`packyoke record`, `replay` and `device`: driver lines in, answers out, kept and compared."""

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rich.console import Console

from adapters.cli.bank import add_settings
from adapters.cli.playback import lines_of, opened, stepped, stepped_view
from adapters.config import load_settings
from adapters.log import BadLogError, pair, replay, requests
from aggregator.plain import json_text, settings_to_plain
from conformance import device as device_module
from conformance.device import Device


def add_record(commands: Any) -> None:
    """Add `record`."""
    text = "answer driver lines from standard input, and keep both in a log"
    made = commands.add_parser("record", help=text, description=text)
    made.add_argument("out", type=Path, metavar="OUT", help="the log to write")
    add_settings(made)
    made.set_defaults(run=run_record)


def add_replay(commands: Any) -> None:
    """Add `replay`."""
    text = "run a log again and compare every answer, bit for bit"
    made = commands.add_parser("replay", help=text, description=text)
    made.add_argument("log", metavar="LOG", help="a log with answers; LOG.gz is unpacked")
    made.add_argument("--json", action="store_true", help="print one JSON object")
    made.set_defaults(run=run_replay)


def add_device(commands: Any) -> None:
    """Add `device`."""
    text = "speak the driver protocol on standard input and output"
    made = commands.add_parser("device", help=text, description=text)
    made.set_defaults(run=run_device)


def run_record(chosen: argparse.Namespace) -> int:
    """Keep a conversation: every request is answered before the next line is read."""
    device = Device()
    strange: list[int] = []
    count = 0
    with opened(str(chosen.out), writing=True) as out:
        for request in stepped(_asked(device, chosen.settings, strange), chosen.every):
            answer = device.answer(request)
            out.write(pair(request, answer))
            out.flush()
            print(json_text(answer), flush=True)
            count += 1
    print(f"packyoke: {count} requests kept in {chosen.out}", file=sys.stderr)
    if strange:
        print(f"packyoke: standard input: {len(strange)} lines were no requests, the first at"
              f" line {strange[0]}", file=sys.stderr)  # fmt: skip
    return 1 if strange else 0


def _asked(device: Device, settings: Path | None, strange: list[int]) -> Iterator[dict[str, Any]]:
    """Yield the requests on standard input; note the lines that are none, and refuse them."""
    if settings is not None:
        plain = settings_to_plain(load_settings(settings))
        yield {"op": "reset", "t": 0, "settings": plain}
    for number, line in enumerate(lines_of(sys.stdin, "standard input"), 1):
        try:
            for _, request in requests([line.rstrip() + "\n"], "standard input"):
                yield request
        except BadLogError:
            strange.append(number)
            print(device_module.answer_line(device, line), flush=True)
        if device.done:
            return


def run_replay(chosen: argparse.Namespace) -> int:
    """Compare a log with what we would answer today."""
    device = Device()
    waiting = Console(stderr=True).status(f"running {chosen.log}", spinner="line")
    with opened(chosen.log) as log, waiting:
        agreed, difference = replay(
            lines_of(log, chosen.log),
            chosen.log,
            device.answer,
            lambda request: stepped_view(device, request) or device.answer(request),
        )
    if agreed == 0 and difference is None:
        raise BadLogError(f"{chosen.log}: no recorded answers, so there is nothing to compare")
    if chosen.json:
        plain: dict[str, Any] = {"agreed": agreed, "difference": None}
        if difference is not None:
            plain["difference"] = {
                "line": difference.line,
                "request": difference.request,
                "recorded": json.loads(difference.recorded),
                "replayed": json.loads(difference.replayed),
            }
        print(json.dumps(plain))
    elif difference is None:
        print(f"{agreed} answers, all the same")
    else:
        print(f"{chosen.log}:{difference.line}: the first difference, after {agreed} equal answers")
        print(f"  asked     {json_text(difference.request)}")
        for key, was, now in _changes(difference.recorded, difference.replayed):
            print(f"  {key}: recorded {was}, now {now}")
    return 0 if difference is None else 1


def _changes(recorded: str, replayed: str) -> list[tuple[str, str, str]]:
    """Return what differs between two answers: field, recorded, now."""
    found: list[tuple[str, str, str]] = []
    _compare("answer", json.loads(recorded), json.loads(replayed), found)
    return found


def _compare(place: str, was: Any, now: Any, found: list[tuple[str, str, str]]) -> None:
    if isinstance(was, dict) and isinstance(now, dict):
        for key in sorted(set(was) | set(now)):
            _compare(f"{place}.{key}", was.get(key), now.get(key), found)
    elif was != now:
        found.append((place, json_text(was), json_text(now)))


def run_device(chosen: argparse.Namespace) -> int:
    """Answer until the input ends."""
    device_module.main()
    return 0
