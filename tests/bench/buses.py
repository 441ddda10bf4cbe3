"""From bytes in to limits out, for sixteen packs, on each bus: `python -m tests.bench.buses [--check]`.

A turn is what a gateway does when a pack has something to say: decode all its frames, accept the
report, step the bank, encode everything that is due. A round is that for all sixteen packs at once,
with one step. Times are of this process's CPU, so that others on the machine do not count; the
longest of a hundred is the 99th percentile.
"""

import argparse
import gc
import json
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from attrs import frozen

from adapters.can.hears import DbcPack, DbcPackSide, HearsSettings
from adapters.can.map_file import load_map as load_dbc
from adapters.framed.codec import FrameCodec
from adapters.framed.description import load_map as load_frames
from adapters.framed.talker import FramesTalker
from adapters.homie.settings import HomieSettings
from adapters.homie.talker import HomieTalker
from adapters.jsonlines.lines_in import LinesIn
from adapters.jsonlines.lines_out import LinesOut
from adapters.jsonlines.opposite import report_line
from adapters.modbus import PackPoller, PollSettings, pack_tables
from adapters.modbus import load_map as load_registers
from adapters.mqtt.as_pack import messages
from adapters.mqtt.topic_map import load_map as load_topics
from adapters.mqtt.topics import TopicTalker
from adapters.readings import Readings
from adapters.registers import Answer, Ask
from adapters.rvc.settings import SaysRvc
from adapters.sunspec.talker import SunSpecServer, SunSpecSettings, ratings_of
from aggregator import Aggregator, BankSettings, PackReport, PackSettings
from tests.day.maps import Places, write_site
from tests.gateway import reading
from tests.sources import ROOT

PACKS = [f"pack-{number}" for number in range(16)]
SETTINGS = BankSettings([PackSettings(pack, capacity_mah=100_000) for pack in PACKS])
ROUNDS = 400
BUDGET_MS = 3.0


@frozen
class Bus:
    """One bus: `say(pack, report, sample)` gives what comes in as (talker, item); `out` speaks."""

    name: str
    say: Callable[[str, PackReport], list[tuple[Any, Any]]]
    out: list[Any]
    readings: Readings  # which its outputs show


def _outputs(readings: Readings) -> dict[str, Any]:
    rvc = SaysRvc(manufacturer_code=0, identity_number=1).talker()
    sunspec = SunSpecServer(SunSpecSettings(), ratings_of(SunSpecSettings(), SETTINGS), readings)
    made = {
        "rv-c": rvc,
        "sunspec": sunspec,
        "homie": HomieTalker(HomieSettings(), PACKS, readings),
        "json lines": LinesOut(),
    }
    for one in made.values():
        one.opened(0)
    return made


def buses(folder: Path) -> Iterator[Bus]:
    """Yield each bus in, with an output that suits it."""
    places = Places(can="", serial="", modbus_port=1, mqtt_port=1, sunspec_port=1)
    write_site(
        folder, places, "", fresh_ms=1, unheard_ms=1, absorption_ms=1, every_ms=1_000, record=""
    )
    readings = Readings()
    out = _outputs(readings)
    lines = LinesIn()
    yield Bus(
        "JSON lines in, JSON lines out",
        lambda _, report: [(lines, report_line(report))],
        [out["json lines"]],
        readings,
    )
    yield _can(folder, out["rv-c"], readings)
    yield _modbus(folder, out["sunspec"], readings)
    topics = load_topics(folder / "elm.toml")
    heard = {pack: TopicTalker(topics, {pack: pack}) for pack in PACKS}
    yield Bus("MQTT in, Homie out",
              lambda pack, report: [(heard[pack], one) for one in messages(topics, pack, report)],
              [out["homie"]], readings)  # fmt: skip
    yield _framed(folder, out["rv-c"], readings)


def _can(folder: Path, rvc: Any, readings: Readings) -> Bus:
    rows = load_dbc(folder / "oak.toml")
    settings = [HearsSettings(map="", pack=pack, id_offset=16 * n) for n, pack in enumerate(PACKS)]
    heard = {one.pack: DbcPack(one, rows) for one in settings}
    sides = {one.pack: DbcPackSide(one, rows) for one in settings}
    now_ms = [0]

    def say(pack: str, report: PackReport) -> list[tuple[Any, Any]]:
        now_ms[0] += 1_000
        frames = sides[pack].frames(report, now_ms[0] & 0x3FFFFFFF)
        # On one bus every talker sees every frame.
        return [(talker, frame) for frame in frames for talker in heard.values()]

    return Bus("CAN by DBC in, RV-C out", say, [rvc], readings)


def _modbus(folder: Path, sunspec: Any, readings: Readings) -> Bus:
    rows = load_registers(folder / "ash.toml")
    heard = {pack: PackPoller(rows, PollSettings(map="", pack=pack)) for pack in PACKS}
    view = Aggregator(SETTINGS).step(0)
    now_ms = [0]

    def say(pack: str, report: PackReport) -> list[tuple[Any, Any]]:
        now_ms[0] += 70
        tables = pack_tables(rows, report)
        found: list[tuple[Any, Any]] = []
        for ask in heard[pack].due(now_ms[0] & 0x3FFFFFFF, view, False):
            assert isinstance(ask, Ask)
            words = tuple(
                tables[ask.function][at] for at in range(ask.address, ask.address + ask.count)
            )
            found.append((heard[pack], Answer(ask, words)))
        return found

    return Bus("Modbus in, SunSpec out", say, [sunspec], readings)


def _framed(folder: Path, rvc: Any, readings: Readings) -> Bus:
    page = (ROOT / "docs" / "how-to" / "framed-serial.md").read_text(encoding="utf-8")
    path = folder / "board.toml"
    path.write_text(page.split("```toml\n")[2].split("```")[0], encoding="utf-8")
    description = load_frames(path)
    talker = FramesTalker(description, {pack: number for number, pack in enumerate(PACKS)})
    codecs = {
        pack: FrameCodec(description.frames[0], description, n) for n, pack in enumerate(PACKS)
    }
    return Bus(
        "framed serial in, RV-C out",
        lambda pack, report: [(talker, codecs[pack].write(report))],
        [rvc],
        readings,
    )


def measure(bus: Bus) -> dict[str, float]:
    """Return the percentiles of turns and rounds [ms]."""
    bank = Aggregator(SETTINGS)
    view = bank.step(0)
    turns: list[float] = []
    rounds: list[float] = []
    took = 0
    for number in range(ROUNDS):
        now_ms = (number + 1) * 1_000
        said = [
            bus.say(
                pack,
                reading(
                    pack, number, current_ma=1_000 * (number % 37), cells_mv=(3_312, 3_329) * 8
                ),
            )
            for pack in PACKS
        ]
        whole_ns = 0
        for items in said:
            start_ns = time.process_time_ns()
            for talker, item in items:
                for record in talker.received(item, now_ms):
                    refusal = bank.accept(record, now_ms)
                    bus.readings.heard(now_ms, record, refusal)
                    took += refusal is None
            heard_ns = time.process_time_ns()
            view = bank.step(now_ms)
            for one in bus.out:
                list(one.due(now_ms, view, bank.may_speak(now_ms)))
            end_ns = time.process_time_ns()
            turns.append((end_ns - start_ns) / 1e6)
            whole_ns += heard_ns - start_ns
        whole_ns += end_ns - heard_ns
        rounds.append(whole_ns / 1e6)
    if took < 15 * ROUNDS:
        raise RuntimeError(f"{bus.name}: only {took} reports were taken")
    return {"turn p50": _part(turns, 0.5), "turn p99": _part(turns, 0.99),
            "round p50": _part(rounds, 0.5), "round p99": _part(rounds, 0.99)}  # fmt: skip


def _part(values: list[float], part: float) -> float:
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


def main() -> int:
    """Measure, print, and judge if asked to."""
    parser = argparse.ArgumentParser()
    parser.add_argument(
        "--check", action="store_true", help="1 if a turn's p99 is above its budget"
    )
    parser.add_argument("--json", action="store_true")
    chosen = parser.parse_args()
    over = 0
    gc.disable()  # as a gateway's own collections are few and its heap is small, see the soak
    with tempfile.TemporaryDirectory() as folder:
        for bus in buses(Path(folder)):
            figures = measure(bus)
            gc.collect()
            over += figures["turn p99"] > BUDGET_MS
            if chosen.json:
                print(json.dumps({"bus": bus.name} | figures))
            else:
                print(f"{bus.name:32} turn {figures['turn p50']:5.2f} ms, p99 {figures['turn p99']:5.2f};"
                      f" round of 16 {figures['round p50']:5.2f} ms, p99 {figures['round p99']:5.2f}")  # fmt: skip
    return 1 if chosen.check and over else 0


if __name__ == "__main__":
    sys.exit(main())
