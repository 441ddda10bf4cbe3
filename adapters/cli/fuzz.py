"""`packyoke fuzz`: let anything happen to a bridge, and see whether it does what it must not."""

import argparse
import sys
from contextlib import closing
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

from rich.console import Console

from adapters.cli.kit import (
    FINE,
    FOUND,
    INTERRUPTED,
    TARGET,
    UNREADABLE,
    USAGE,
    open_named,
    progress,
)
from adapters.words import counted
from aggregator.plain import json_text
from conformance.judge import identify
from conformance.targets import ANSWER_S, TargetError

if TYPE_CHECKING:
    from conformance.campaign import Campaign
    from conformance.crew import Crew
    from conformance.fuzz import Failure

MODES = ("protocol", "physical", "wire")
EXTRAS = {"hypothesis": "fuzz needs hypothesis: pip install 'packyoke[fuzz]'",
          "distributed": "--cluster needs dask: pip install 'packyoke[campaign]'"}  # fmt: skip


def add_fuzz(commands: Any) -> None:
    """Add `fuzz`."""
    text = "make up stories for a bridge, and keep the shortest that break it as vectors"
    made = commands.add_parser("fuzz", help=text, description=text)
    made.add_argument("target", metavar="TARGET", help=TARGET)
    made.add_argument("--mode", choices=MODES, default="protocol", help="protocol: whatever can be"
                      " said; physical: a bank that answers to the limits; wire: hostile bytes")  # fmt: skip
    made.add_argument(
        "--cases", metavar="N", type=_count, default=100, help="stories to make up (100)"
    )
    made.add_argument("--seed", metavar="N", type=int, default=0, help="other stories (0)")
    who = made.add_mutually_exclusive_group()
    who.add_argument("--workers", metavar="M", type=_count, default=1,
                     help="processes that share the work; what is found is the same (1)")  # fmt: skip
    who.add_argument("--cluster", metavar="ADDRESS",
                     help="share the work among the workers of this scheduler of dask")  # fmt: skip
    made.add_argument("--out", metavar="FOLDER", type=Path, default=Path(),
                      help="where the stories that broke it are kept (here)")  # fmt: skip
    made.add_argument("--answer-s", metavar="S", type=float, default=ANSWER_S,
                      help="seconds that an answer may take (2)")  # fmt: skip
    made.add_argument("--json", action="store_true", help="one object instead of sentences")
    made.set_defaults(run=run_fuzz)


def _count(text: str) -> int:
    if not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"expected 1 or more, got {text!r}")
    return int(text)


def run_fuzz(chosen: argparse.Namespace) -> int:
    """Run a campaign; what is known when Ctrl-C comes is kept and printed all the same."""
    if (chosen.workers > 1 or chosen.cluster) and not chosen.target.startswith(("self", "stdio:")):
        print(f"packyoke: {chosen.target}: only self and stdio: can be there more than once;"
              " leave --workers and --cluster out", file=sys.stderr)  # fmt: skip
        return USAGE
    target = open_named(chosen)
    try:
        from conformance.campaign import Campaign, LostError

        campaign = Campaign(chosen.target, chosen.mode, chosen.cases, chosen.seed, chosen.answer_s)
        identify(target)
        target.close()  # each chunk has its own
        began = monotonic()
        with _crew(chosen) as crew:
            trouble, code = _run(campaign, crew)
    except ModuleNotFoundError as error:
        if error.name not in EXTRAS:
            raise
        return _complain(EXTRAS[error.name])
    except TargetError as error:
        return _complain(f"{chosen.target}: {error}")
    except LostError as error:
        return _complain(str(error))
    finally:
        target.close()
    _tell(chosen, campaign, monotonic() - began)
    if trouble:
        done = f"after {campaign.done} of {campaign.cases} cases"
        print(f"packyoke: {trouble} {done}", file=sys.stderr)
        return code
    return FOUND if campaign.found else FINE


def _complain(text: str) -> int:
    print(f"packyoke: {text}", file=sys.stderr)
    return UNREADABLE


def _crew(chosen: argparse.Namespace) -> "closing[Crew]":
    from conformance.crew import ClusterCrew, LocalCrew

    return closing(ClusterCrew(chosen.cluster) if chosen.cluster else LocalCrew(chosen.workers))


def _run(campaign: "Campaign", crew: "Crew") -> tuple[str, int]:
    """Run it to its end; return what came in between, and the exit code for that."""
    from conformance.crew import LostError

    try:
        with progress("fuzzing", campaign.cases) as advance:
            campaign.run(crew, advance)
        if campaign.found:
            with Console(stderr=True).status("looking for shorter stories", spinner="line"):
                campaign.shorten(crew)
    except KeyboardInterrupt:
        return "interrupted", INTERRUPTED
    except LostError as error:
        return str(error), UNREADABLE
    return "", FINE


def _tell(chosen: argparse.Namespace, campaign: "Campaign", seconds: float) -> None:
    """Keep and print what was found; what cannot be kept is printed all the same."""
    found = [(failure, _kept(failure, chosen.out)) for failure in campaign.failures]
    if chosen.json:
        rows = [
            {
                "requirement": failure.breach.requirement,
                "story": failure.story,
                "vector": None if path is None else str(path),
            }
            for failure, path in found
        ]
        print(json_text({
            "target": chosen.target, "mode": campaign.mode, "seed": campaign.seed,
            "cases": campaign.done, "stories": campaign.stories,
            "operations": campaign.operations, "failures": rows,
        }))  # fmt: skip
        return
    for failure, path in found:
        print(failure.story)
        if path is not None:
            print(f"\nkept as {path}; again: packyoke judge TARGET --vectors {path}\n")
    rate = campaign.done / max(seconds, 1e-6)
    told, asked = counted(campaign.stories, "story"), counted(campaign.operations, "request")
    print(f"{told}, {asked} ({rate:.0f} stories a second): {len(found) or 'nothing'} found")


def _kept(failure: "Failure", folder: Path) -> Path | None:
    """Keep one failure; return where, or None where that cannot be."""
    try:
        return failure.write(folder)
    except OSError as error:
        _complain(f"{folder}: nothing can be kept there: {error.strerror or error}")
        return None
