"""Arguments, exit codes, and errors in one line.

Exit codes: 0 fine, 1 the check found something, 2 usage, 3 cannot read or connect, 130
interrupted. Results go to standard output; progress and complaints to standard error.
"""

import argparse
import io
import os
import sys
from collections.abc import Sequence

from adapters.cli import bank, check, fuzz, init, kit, logs, on_site, run, simulate
from adapters.config import BadFileError
from adapters.log import BadLogError
from aggregator import __version__

FINE, FOUND, USAGE, UNREADABLE, INTERRUPTED = 0, 1, 2, 3, 130

# Libraries that are not always there, and the extras that bring them.
EXTRAS = {
    "matplotlib": "plot", "serial": "serial", "can": "can", "cantools": "can", "pymodbus": "modbus",
    "aiomqtt": "mqtt", "bleak": "ble", "hypothesis": "fuzz", "distributed": "campaign",
}  # fmt: skip

COMMANDS = (
    simulate.add, init.add, check.add, run.add, on_site.add_meter, on_site.add_connect,
    on_site.add_plug, bank.add_view, bank.add_why, bank.add_packs, logs.add_record, logs.add_replay,
    logs.add_device, kit.add_judge, fuzz.add_fuzz,
)  # fmt: skip


def parser() -> argparse.ArgumentParser:
    """Return the parser with every command."""
    made = argparse.ArgumentParser(
        prog="packyoke",
        description="Makes several parallel LiFePO4 packs look and behave like one battery. It only"
        " ever asks for less; each pack's own board, fuse and breaker protect.",
    )
    made.add_argument("--version", action="version", version=f"packyoke {__version__}")
    made.add_argument("--debug", action="store_true", help="show where an error came from")
    commands = made.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for add in COMMANDS:
        add(commands)
    return made


def _parsed(arguments: Sequence[str] | None) -> argparse.Namespace:
    """Parse the arguments; LOG may stand behind the options, where argparse loses it."""
    made = parser()
    if not (sys.argv[1:] if arguments is None else arguments):
        made.print_help(sys.stderr)
        made.exit(USAGE)
    chosen, rest = made.parse_known_args(arguments)
    if len(rest) == 1 and not rest[0].startswith("-") and getattr(chosen, "log", None) == "":
        chosen.log = rest.pop()
    if rest:
        made.error(f"unrecognized arguments: {' '.join(rest)}")
    if getattr(chosen, "log", None) == "":
        if sys.stdin.isatty():
            made.error("give a LOG, or pipe driver lines into standard input")
        chosen.log = "-"
    return chosen


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return the exit code."""
    chosen = _parsed(arguments)
    for stream in (sys.stdin, sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # what cannot be read, or shown, becomes a "?"
            stream.reconfigure(errors="replace")
    try:
        code: int = chosen.run(chosen)
        sys.stdout.flush()
        return code
    except BadFileError as error:
        if chosen.debug:
            raise
        for complaint in error.complaints:
            print(f"packyoke: {complaint}", file=sys.stderr)
        return UNREADABLE if error.unreadable else FOUND
    except BadLogError as error:
        if chosen.debug:
            raise
        print(f"packyoke: {error}", file=sys.stderr)
        return FOUND
    except BrokenPipeError:
        # Whoever read our output has had enough; keep the interpreter from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FINE
    except ModuleNotFoundError as error:
        extra = EXTRAS.get((error.name or "").split(".")[0])
        if chosen.debug or extra is None:
            raise
        needed = f"this needs {error.name}: pip install 'packyoke[{extra}]'"
        print(f"packyoke: {needed}", file=sys.stderr)
        return UNREADABLE
    except OSError as error:
        if chosen.debug:
            raise
        reason = (error.strerror or "cannot be used").lower()
        print(f"packyoke: {error.filename or 'file'}: {reason}", file=sys.stderr)
        return UNREADABLE
    except KeyboardInterrupt:
        line = "\n" if sys.stderr.isatty() else ""  # behind the ^C that a terminal shows
        print(f"{line}packyoke: interrupted", file=sys.stderr)
        return INTERRUPTED
