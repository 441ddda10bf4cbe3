"""`packyoke check FILE`: is a settings, site or scenario file right?"""

import argparse
from pathlib import Path
from typing import Any

from adapters import words
from adapters.cli.scenario_file import is_scenario, load_scenario
from adapters.config import load_settings, read_toml
from adapters.gateway.site_file import is_site, load_site


def add(commands: Any) -> None:
    """Add the command."""
    text = "check a settings, site or scenario file, and tell every mistake in one pass"
    made = commands.add_parser("check", help=text, description=text)
    made.add_argument("file", type=Path, metavar="FILE", help="a TOML file")
    made.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Check the file; mistakes are raised."""
    plain, _ = read_toml(chosen.file)
    if is_scenario(plain):
        scenario, _ = load_scenario(chosen.file)
        hours = scenario.duration_s / 3_600
        print(
            f"{chosen.file}: a scenario of {words.counted(len(scenario.packs), 'pack')}, {hours:g} h: fine"
        )
    elif is_site(plain):
        plan = load_site(chosen.file)
        packs = words.counted(len(plan.settings.packs), "pack")
        print(f"{chosen.file}: a site of {packs}, {words.counted(len(plan.links), 'link')}: fine")
    else:
        settings = load_settings(chosen.file)
        print(f"{chosen.file}: settings for {words.counted(len(settings.packs), 'pack')}: fine")
    return 0
