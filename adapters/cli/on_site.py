"""Getting started on site: `packyoke meter`, `plug` and `connect`. Each hears the site's packs."""

import argparse
import asyncio
import contextlib
import json
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Coroutine
from pathlib import Path
from statistics import fmean
from typing import Any, TextIO

from attrs import asdict, evolve

from adapters.cli.bank import seconds_ms
from adapters.cli.screens import amps, flow, volts
from adapters.gateway import connect, meter, plug
from adapters.gateway.alone import alone
from adapters.gateway.journal import Journal
from adapters.gateway.runtime import Gateway
from adapters.gateway.service import listening, speaking, tell_of_libraries, warn_of_another
from adapters.gateway.site_file import SitePlan, load_site
from adapters.links import Record, ended
from adapters.toml_file import BadFileError
from aggregator import PackReport
from aggregator.errors import Refusal
from aggregator.report import MOST_CELLS

LISTEN_MS = 15_000
AVERAGED = 5  # readings
# What the journal tells of while somebody is being asked: whether the packs are heard.
ABOUT_HEARING = ("another", "link_open", "link_trouble", "link_failed", "refused", "odd")
CAUTION = """\
Work on a live battery can burn, blind and kill. Wear what is prescribed, use insulated tools, follow
the makers' instructions and local rules, and leave it to licensed people where those say so."""
ASKED = """\
Type what the meter reads at each pack [A]: positive into the pack, negative out of it. An empty line
leaves the pack out."""
PLUG_CAUTION = """\
The chargers will hear nothing from us until they stop. The packs' own boards, fuses and breakers must
protect without us: only go on if they do. Stay at the breaker; have the bank half full, no more."""


PLUG_STATES = {
    plug.WAITING: f"until the bank, allowed to, has been charged with {plug.LEAST_CHARGE_MA // 1_000} A or more"
    f" for {plug.STEADY_MS // 1_000} s",
    plug.SILENT: "now the chargers hear nothing",
}


def _add(commands: Any, name: str, text: str) -> argparse.ArgumentParser:
    made: argparse.ArgumentParser = commands.add_parser(name, help=text, description=text)
    made.add_argument("site", type=Path, metavar="SITE.toml", help="settings, packs and links")
    made.add_argument("--json", action="store_true", help="print one JSON object a line")
    return made


def within(low: float, high: float, kind: type = float) -> Callable[[str], float]:
    """Return how to read a number that lies in a range; "nan" lies in none."""

    def read(text: str) -> float:
        with contextlib.suppress(ValueError):
            number: float = kind(text)
            if low <= number <= high:
                return number
        raise argparse.ArgumentTypeError(f"expected {low:g}..{high:g}, got {text!r}")

    return read


def add_meter(commands: Any) -> None:
    """Add `meter`."""
    made = _add(commands, "meter", "check each pack's current, its sign and scale, against a meter")
    made.set_defaults(run=run_meter)


def add_connect(commands: Any) -> None:
    """Add `connect`."""
    made = _add(
        commands, "connect", "may this pack be connected to the bank now? Predicts the rush"
    )
    made.add_argument("pack", metavar="PACK", help="the pack that is to join")
    made.add_argument(
        "--voltage", type=within(1, 1_000), metavar="V", help="of the pack, where it is not heard"
    )
    made.add_argument("--cells", type=within(1, MOST_CELLS, int), metavar="N",
                      help="of the pack, where it does not say")  # fmt: skip
    made.add_argument("--milliohm", type=within(0.05, 1_000), default=connect.LEAST_MILLIOHM, metavar="R",
                      help="least resistance of one pack with board and leads (default: 4)")  # fmt: skip
    made.add_argument("--listen", type=seconds_ms, default=LISTEN_MS, metavar="SECONDS",
                      help="how long to listen (default: 15)")  # fmt: skip
    made.set_defaults(run=run_connect)


def add_plug(commands: Any) -> None:
    """Add `plug`."""
    made = _add(commands, "plug", "fall silent on purpose, and time how long the chargers go on")
    made.add_argument("--longest", type=seconds_ms, default=300_000, metavar="SECONDS",
                      help="stay silent no longer than this (default: 300)")  # fmt: skip
    made.add_argument("--yes", action="store_true", help="do not ask again")
    made.set_defaults(run=run_plug)


class Ears:
    """What is heard while somebody works on the site: each pack's last reading, and mean current."""

    def __init__(self, gateway: Gateway) -> None:
        self.readings = gateway.readings
        self._currents: dict[str, deque[int]] = {}
        gateway.heard.append(self._heard)

    def _heard(self, now_ms: int, record: Record, refusal: Refusal | None) -> None:
        if isinstance(record, PackReport) and refusal is None and record.current_ma is not None:
            last = self._currents.setdefault(record.pack, deque(maxlen=AVERAGED))
            last.append(record.current_ma)

    def current_ma(self, pack: str) -> float | None:
        """Return the mean of the last few currents."""
        last = self._currents.get(pack)
        return fmean(tuple(last)) if last else None


def _listen(plan: SitePlan, task: Callable[[Ears], int]) -> int:
    """Listen to a site while `task` runs. The links have a thread of their own, so that a question
    at the terminal stays where Ctrl-C ends it."""
    journal = Journal(sys.stderr, only=ABOUT_HEARING)
    tell_of_libraries(journal)
    warn_of_another(plan, journal)
    gateway, _, _ = listening(plan, journal)
    ears, loop = Ears(gateway), asyncio.new_event_loop()
    running = threading.Thread(target=loop.run_until_complete, args=(gateway.run(),))
    running.start()
    try:
        return task(ears)
    finally:
        loop.call_soon_threadsafe(gateway.stop)
        running.join()
        loop.close()


async def _beside(gateway: Gateway, task: Coroutine[Any, Any, int]) -> int:
    running = asyncio.create_task(gateway.run())
    try:
        return await task
    finally:
        await ended([running])


def run_meter(chosen: argparse.Namespace) -> int:
    """Ask for a meter's reading of each pack, and judge."""
    plan = load_site(chosen.site)
    print(CAUTION + "\n" + ASKED, file=sys.stderr)
    return _listen(plan, lambda ears: _meter(plan, ears, chosen.json))


def _meter(plan: SitePlan, ears: Ears, as_json: bool) -> int:
    wrong, compared, left_out = 0, 0, []
    time.sleep(LISTEN_MS / 5_000)
    for pack in [one.pack for one in plan.settings.packs]:
        answer = _ask_amps(pack, sys.stdin)
        if answer is None:
            left_out.append(pack)
            continue
        compared += 1
        reported_ma = ears.current_ma(pack)
        if reported_ma is None:
            verdict = meter.Verdict(False, "was not heard, or does not say its current",
                                    f"look at its link first: packyoke run {plan.path} --listen-only")  # fmt: skip
        else:
            verdict = meter.judge(reported_ma, answer * 1_000)
        wrong += not verdict.fine
        if as_json:
            print(json.dumps({"pack": pack} | asdict(verdict)), flush=True)
        else:
            shown = "" if reported_ma is None else f" (it says {flow(round(reported_ma))})"
            rest = f"; {verdict.remedy}" if verdict.remedy else ""
            print(f"{pack}{shown}: {verdict.says}{rest}", flush=True)
    if left_out:
        print(f"not compared: {', '.join(left_out)}", file=sys.stderr)
    return 1 if wrong or not compared else 0


def _ask_amps(pack: str, source: TextIO) -> float | None:
    """Ask until there is a number, or nothing."""
    while True:
        print(f"{pack}: ", end="", file=sys.stderr, flush=True)
        text = source.readline().strip().replace(",", ".").removesuffix("A").strip()
        if not text:
            return None
        try:
            return float(text)
        except ValueError:
            print(f"expected a number such as -12.5, got {text!r}", file=sys.stderr)


def run_connect(chosen: argparse.Namespace) -> int:
    """Tell whether a pack may join."""
    plan = load_site(chosen.site)
    names = [one.pack for one in plan.settings.packs]
    if chosen.pack not in names:
        raise BadFileError([f"{chosen.site}: no pack {chosen.pack!r}; known: {', '.join(names)}"])

    def listened(ears: Ears) -> int:
        print(f"listening for {chosen.listen / 1_000:g} s", file=sys.stderr)
        time.sleep(chosen.listen / 1_000)
        return _connect(plan, ears, chosen)

    return _listen(plan, listened)


def _connect(plan: SitePlan, ears: Ears, chosen: argparse.Namespace) -> int:
    names = [one.pack for one in plan.settings.packs]
    heard = [report for report in map(ears.readings.of, names) if report is not None]
    sides = {one.pack: connect.side_of(one, plan.settings.cell_count) for one in heard}
    pack = sides.pop(chosen.pack, connect.Side(None, None))
    if chosen.voltage is not None:
        pack = evolve(pack, voltage_mv=round(chosen.voltage * 1_000))
    if chosen.cells is not None:
        pack = evolve(pack, cell_count=chosen.cells)
    answer = connect.may_connect(pack, list(sides.values()), chosen.milliohm)
    if chosen.json:
        print(json.dumps({"pack": chosen.pack} | asdict(answer)))
    else:
        said = "the voltages do not speak against it" if answer.may else "not now"
        print(f"{chosen.pack} at {volts(pack.voltage_mv)}: {said}")
        for line in answer.reasons:
            print(f"  {line}")
        print(CAUTION, file=sys.stderr)
    return 0 if answer.may else 1


def run_plug(chosen: argparse.Namespace) -> int:
    """Pull the plug, and tell how long it took."""
    plan = load_site(chosen.site)
    print(CAUTION + "\n" + PLUG_CAUTION, file=sys.stderr)
    if not chosen.yes:
        print("Type yes to go on: ", end="", file=sys.stderr, flush=True)
        if sys.stdin.readline().strip().lower() != "yes":
            print("packyoke: nothing was done", file=sys.stderr)
            return 1
    with alone(plan.file(plan.gateway.state)):
        test = _plugged(plan, chosen.longest)
    if chosen.json:
        print(json.dumps({"state": test.state, "why": test.why, "took_ms": test.took_ms,
                          "started_ma": test.started_ma}))  # fmt: skip
    else:
        print(_plug_words(test))
    return 0 if test.state == plug.STOPPED else 1


def _plugged(plan: SitePlan, longest_ms: int) -> plug.PlugTest:
    """Run the gateway until the test is over."""
    journal = Journal(sys.stderr)
    tell_of_libraries(journal)
    gateway = speaking(plan, journal)
    test = plug.PlugTest(most_silent_ms=longest_ms,
                         cell_ceiling_mv=min(one.cell_ceiling_mv for one in plan.settings.packs))  # fmt: skip
    gateway.heard.append(test.heard)
    gateway.watchers.append(test.stepped)
    asyncio.run(_beside(gateway, _plug(gateway, test)))
    return test


async def _plug(gateway: Gateway, test: plug.PlugTest) -> int:
    before = ""
    while not test.done:
        gateway.quiet = test.quiet
        if test.state != before:
            before = test.state
            more = f": {PLUG_STATES[test.state]}" if test.state in PLUG_STATES else ""
            gateway.journal.tell("plug", f"pulling the plug: {test.state}{more}", state=test.state)
        await gateway.turn(0.1)
    gateway.quiet = False
    return 0


def _plug_words(test: plug.PlugTest) -> str:
    if test.state == plug.STOPPED:
        assert test.took_ms is not None
        return (f"the charge of {amps(test.started_ma)} ended {test.took_ms / 1_000:.1f} s after the"
                " last word, with the delay of the packs' own reports in it. Was it the silence, or a"
                " cloud? Try twice.")  # fmt: skip
    if test.state == plug.WENT_ON:
        return (f"{test.why} for {test.most_silent_ms / 1_000:.0f} s of silence: these chargers do"
                " not stop by themselves. Look for a time-out in their settings, and use contacts.")  # fmt: skip
    return f"{test.state}: {test.why}"
