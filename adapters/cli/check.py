"""`packyoke check FILE`: is a settings, site, scenario or rig file, or a map, right? And what does a
map make of a recording of its bus?"""

import argparse
import json
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

from rich.text import Text

from adapters import words
from adapters.cli.judgement import suspicions
from adapters.cli.map_kinds import MAP_KINDS, Explained, MapKind, meanings
from adapters.cli.map_screen import said, screen, summaries
from adapters.cli.missing import missing
from adapters.cli.moments import Recording
from adapters.cli.rig.file import describes_rig, load_rig
from adapters.cli.scenario_file import is_scenario, load_scenario
from adapters.cli.screens import console
from adapters.config import load_settings, read_toml
from adapters.gateway.site_file import is_site, load_site
from adapters.links import LinkError
from adapters.toml_file import BadFileError, quoted

FINE, FOUND = 0, 1
MOST_LINES = 200_000


def add(commands: Any) -> None:
    """Add the command."""
    text = (
        "check a settings, site, scenario or rig file or a map, and tell every mistake in one pass"
    )
    made = commands.add_parser("check", help=text, description=text)
    made.add_argument("file", type=Path, metavar="FILE", help="a TOML file")
    made.add_argument("--sample", type=Path, metavar="RECORDING",
                      help="explain a map on a recording of its bus, and say what looks wrong")  # fmt: skip
    made.add_argument("--unit", metavar="N",
                      help="which pack on the bus: its source address, id offset, device, address or name")  # fmt: skip
    made.add_argument("--json", action="store_true",
                      help="with --sample: print one JSON object a line")  # fmt: skip
    made.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Check the file; mistakes are raised."""
    if chosen.sample is None and (chosen.json or chosen.unit):
        raise BadFileError(["--json and --unit: only with --sample RECORDING"])
    plain, _ = read_toml(chosen.file)
    kind = plain.get("kind")
    if isinstance(kind, str):
        return _check_map(kind, chosen)
    if chosen.sample is not None:
        raise BadFileError(
            [f'{chosen.file}: --sample wants a map: its first key is kind = "dbc", or so']
        )
    if is_scenario(plain):
        scenario, _ = load_scenario(chosen.file)
        hours = scenario.duration_s / 3_600
        packs = words.counted(len(scenario.packs), "pack")
        print(f"{chosen.file}: a scenario of {packs}, {hours:g} h: fine")
    elif describes_rig(plain):
        rig = load_rig(f"bus:{chosen.file}")
        print(f"{chosen.file}: a rig of {words.counted(len(rig.links), 'link')}: fine")
    elif is_site(plain):
        plan = load_site(chosen.file)
        packs = words.counted(len(plan.settings.packs), "pack")
        print(f"{chosen.file}: a site of {packs}, {words.counted(len(plan.links), 'link')}: fine")
    else:
        settings = load_settings(chosen.file)
        print(f"{chosen.file}: settings for {words.counted(len(settings.packs), 'pack')}: fine")
    return FINE


def _check_map(name: str, chosen: argparse.Namespace) -> int:
    """Check a map; with a recording, explain it there."""
    if name not in MAP_KINDS:
        kinds = ", ".join(f'"{one}"' for one in MAP_KINDS)
        raise BadFileError([f"{chosen.file}: kind: expected one of {kinds}, got {quoted(name)}"])
    kind = MAP_KINDS[name]
    with _extra(kind, chosen.file):
        rows = kind.load(chosen.file)
    fields = [one.field for one in meanings(kind.rows(rows))]
    of = getattr(rows, "of", None) or getattr(rows, "about", None) or "pack"
    lacks = [f"{what}: {cost}" for what, cost in missing(fields)] if of == "pack" else []
    if chosen.sample is None:
        print(f"{chosen.file}: a map of {words.counted(len(fields), 'number')}: fine")
        for line in said("If it is a pack's, it does not bring, and that costs", lacks):
            console().print(line)
        return FINE
    seen, remarks = _explained(kind, rows, chosen)
    if not seen:
        which = "is --unit right?" if chosen.unit else "is it of this bus, and does it want --unit?"
        remarks = [
            *remarks,
            f"any line of {chosen.sample}, for none is what the map reads: {which}",
        ]
    recording = Recording(seen)
    came = {one.field for one in seen}
    never = sorted({field for field in fields if field not in came})
    wrong = suspicions(recording)
    if chosen.json:
        for row in summaries(recording):
            print(json.dumps(row))
        print(json.dumps({"wrong": wrong, "never": never, "missing": lacks, "remarks": remarks}))
    else:
        console().print(screen(recording, never, lacks, wrong, remarks))
        if not wrong and not never:
            console().print(
                Text("Nothing looks wrong. Compare the numbers with a meter all the same.")
            )
    return FOUND if wrong or never else FINE


def _explained(kind: MapKind, rows: Any, chosen: argparse.Namespace) -> Explained:
    """Return what the map reads in the recording. Raises BadFileError: it is none."""
    try:
        with chosen.sample.open(encoding="utf-8", errors="replace") as lines:
            seen, remarks = kind.explain(rows, islice(lines, MOST_LINES), chosen.unit)
            if next(lines, None) is not None:
                remarks = [
                    *remarks,
                    f"lines after the first {MOST_LINES}: that is enough to judge by",
                ]
            return seen, remarks
    except (ValueError, LinkError) as error:
        raise BadFileError([f"{chosen.sample}: {error}"]) from None


@contextmanager
def _extra(kind: MapKind, file: Path) -> Iterator[None]:
    """Turn a missing library into the line that names how to get it."""
    try:
        yield
    except ModuleNotFoundError:
        how = f"this needs the extra: pip install 'packyoke[{kind.extra}]'"
        raise BadFileError([f"{file}: {how}"], unreadable=True) from None
