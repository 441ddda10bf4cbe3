"""`packyoke simulate`: a day without hardware."""

import argparse
import json
import sys
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any, TextIO

import attrs
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from adapters.cli.day_screen import comparison_screen, day_screen
from adapters.cli.picture import Trace, can_draw, draw
from adapters.cli.playback import opened
from adapters.cli.scenario_file import load_scenario
from adapters.cli.screens import console
from adapters.log import pair
from aggregator import Aggregator, BankSettings, SystemView
from aggregator.plain import json_text, settings_to_plain, view_to_plain
from conformance.day import ALL_KNOWING, HEADROOM, PLAIN_SUM, DayResult, Observer, day
from conformance.plant.scenario import Scenario
from conformance.plant.world import World


def add(commands: Any) -> None:
    """Add the command."""
    made = commands.add_parser(
        "simulate",
        help="run a day of a simulated bank",
        description="Run a day of a simulated bank: the demo (invented data), or a scenario file.",
    )
    made.add_argument("scenario", nargs="?", type=Path, metavar="SCENARIO.toml",
                      help="a scenario file; nothing: the demo, a joinery with four packs")  # fmt: skip
    made.add_argument("--plain-sum", action="store_true",
                      help="run the day on summed limits, too, and show both")  # fmt: skip
    made.add_argument("--all-knowing", action="store_true",
                      help="run the day with a limiter that knows everything, too")  # fmt: skip
    made.add_argument("--plot", type=Path, metavar="DAY.png", help="draw the day")
    made.add_argument("--save", metavar="LOG", help="save reports and views; LOG.gz is packed")
    made.add_argument("--seed", type=int, help="another day of the same kind")
    made.add_argument("--json", action="store_true", help="print one JSON object a line")
    made.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Run the command; return the exit code."""
    scenario, settings = load_scenario(chosen.scenario)
    if chosen.seed is not None:
        scenario.seed = chosen.seed
    if chosen.plot is not None:
        can_draw(chosen.plot)
    limiters = [HEADROOM]
    limiters += [PLAIN_SUM] if chosen.plain_sum else []
    limiters += [ALL_KNOWING] if chosen.all_knowing else []
    trace = Trace(scenario)
    with ExitStack() as stack:
        observers: list[Observer] = [] if chosen.plot is None else [trace.look]
        if chosen.save is not None:
            log = stack.enter_context(opened(chosen.save, writing=True))
            observers.append(Saver(log, settings).look)
        advance = stack.enter_context(_progress(scenario.duration_s * len(limiters)))
        results = [_one_day(scenario, settings, HEADROOM, observers, advance)]
        results += [_one_day(scenario, settings, one, [], advance) for one in limiters[1:]]
    if chosen.plot is not None:
        draw(trace, chosen.plot)
    if chosen.json:
        for result in results:
            print(json.dumps(as_plain(result)))
        return 0
    screen = console()
    screen.print(day_screen(scenario, results[0], screen.width))
    if len(results) > 1:
        screen.print(comparison_screen(results))
    return 0


def _one_day(
    scenario: Scenario,
    settings: BankSettings,
    limiter: str,
    observers: list[Observer],
    advance: Callable[[], None],
) -> DayResult:
    def look(world: World, bank: Aggregator, view: SystemView) -> None:
        advance()
        for observer in observers:
            observer(world, bank, view)

    return day(scenario, settings, limiter, look)


class _progress:  # noqa: N801  # a context manager that reads like a function
    """A bar on standard error, if that is a terminal; the block gets a function to call a step."""

    def __init__(self, total: float) -> None:
        self.bar = Progress(
            TextColumn("simulating"),
            BarColumn(complete_style="none", finished_style="none"),
            TextColumn("{task.percentage:3.0f} %"),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            transient=True,
            disable=not sys.stderr.isatty(),
        )
        self.task = self.bar.add_task("", total=total)
        self.steps = 0

    def __enter__(self) -> Callable[[], None]:
        self.bar.start()
        return self.advance

    def advance(self) -> None:
        self.steps += 1
        if self.steps % 600 == 0:
            self.bar.update(self.task, completed=self.steps)

    def __exit__(self, *_: object) -> None:
        self.bar.stop()


class Saver:
    """Writes a day as a log: every report and step, and the view once a minute."""

    def __init__(self, log: TextIO, settings: BankSettings) -> None:
        self.log = log
        plain = settings_to_plain(settings)
        log.write(pair({"op": "reset", "t": 0, "settings": plain}, {"ok": True}))

    def look(self, world: World, bank: Aggregator, view: SystemView) -> None:
        """Observe one step of the day."""
        t = round(world.now_s * 1_000)
        for report in world.delivered:
            self.log.write(json_text({"op": "report", "t": t, **report}) + "\n")
        if t % 60_000:
            self.log.write(json_text({"op": "step", "t": t}) + "\n")
        else:
            self.log.write(pair({"op": "step", "t": t}, {"ok": True, "view": view_to_plain(view)}))


def as_plain(result: DayResult) -> dict[str, Any]:
    """Return a result as JSON values."""
    plain = attrs.asdict(result, filter=attrs.filters.exclude("findings", "net_kwh"))
    plain["findings"] = [
        {"name": name, "pack": pack, "first_s": first_s, "lasted_s": lasted_s}
        for (name, pack), (first_s, lasted_s) in result.findings.items()
    ]
    plain["most_net_kwh"] = max(result.net_kwh)
    return plain
