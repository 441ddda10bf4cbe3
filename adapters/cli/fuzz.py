"""`packyoke fuzz`: let anything happen to a bridge, and see whether it does what it must not."""

import argparse
import sys
from pathlib import Path
from typing import Any

from rich.console import Console

from adapters.cli.kit import FINE, FOUND, INTERRUPTED, TARGET, UNREADABLE, open_named
from aggregator.plain import json_text
from conformance.judge import identify
from conformance.targets import ANSWER_S, Plain, TargetError

MODES = ("protocol", "physical")


def add_fuzz(commands: Any) -> None:
    """Add `fuzz`."""
    text = "make up stories for a bridge until one breaks it, and keep the shortest as a vector"
    made = commands.add_parser("fuzz", help=text, description=text)
    made.add_argument("target", metavar="TARGET", help=TARGET)
    made.add_argument("--mode", choices=MODES, default="protocol", help="protocol: whatever can be"
                      " said; physical: a bank that answers to the limits")  # fmt: skip
    made.add_argument(
        "--cases", metavar="N", type=int, default=100, help="stories to make up (100)"
    )
    made.add_argument("--seed", metavar="N", type=int, default=0, help="other stories (0)")
    made.add_argument("--out", metavar="FOLDER", type=Path, default=Path(),
                      help="where the story that broke it is kept (here)")  # fmt: skip
    made.add_argument("--answer-s", metavar="S", type=float, default=ANSWER_S,
                      help="seconds that an answer may take (2)")  # fmt: skip
    made.add_argument("--json", action="store_true", help="one object instead of sentences")
    made.set_defaults(run=run_fuzz)


def run_fuzz(chosen: argparse.Namespace) -> int:
    """Fuzz a target; the first breach ends it."""
    try:
        from conformance.fuzz import fuzz
    except ModuleNotFoundError:
        print("packyoke: fuzz needs hypothesis: pip install 'packyoke[fuzz]'", file=sys.stderr)
        return UNREADABLE
    target = open_named(chosen)

    def ask(request: Plain) -> Plain:
        try:
            return target.ask(request)
        except TargetError:
            target.close()  # the next story starts with a new one
            raise

    def exchange(line: bytes) -> Plain:
        try:
            return target.exchange(line)
        except TargetError:
            target.close()
            raise

    try:
        identify(target)
        with Console(stderr=True).status(f"fuzzing {chosen.target}", spinner="line"):
            result = fuzz(ask, chosen.mode, chosen.cases, chosen.seed, exchange=exchange)
    except TargetError as error:
        print(f"packyoke: {chosen.target}: {error}", file=sys.stderr)
        return UNREADABLE
    except KeyboardInterrupt:
        print("packyoke: interrupted; nothing found so far", file=sys.stderr)
        return INTERRUPTED
    finally:
        target.close()
    failure = result.failure
    path = failure.write(chosen.out) if failure else None
    if chosen.json:
        print(json_text({
            "target": chosen.target, "mode": result.mode, "seed": result.seed,
            "stories": result.stories, "operations": result.operations,
            "requirement": failure.breach.requirement if failure else None,
            "story": failure.story if failure else None,
            "vector": str(path) if path else None,
        }))  # fmt: skip
    elif failure:
        print(failure.story)
        print(f"\nkept as {path}; again: packyoke judge TARGET --vectors {path}")
    else:
        rate = result.operations / max(result.seconds, 1e-6)
        print(f"{result.stories} stories, {result.operations} requests ({rate:.0f} a second):"
              " nothing found")  # fmt: skip
    return FOUND if failure else FINE
