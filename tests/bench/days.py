"""Seeded simulated days: `python -m tests.bench.days [--days N] [--check] [--sum]`.

Each day has a random bank of 2..6 mixed packs (resistances within 1:4), readings every 1..5 s with
skew, noise, rounding and 2 % loss, chargers with 2..20 s of latency that hold the battery's current
or their own output, and loads. Compared with an all-knowing limiter under the same stages.
"""

import argparse
import sys
from multiprocessing import Pool

from conformance.day import (
    ALL_KNOWING,
    PLAIN_SUM,
    bulk_fraction,
    day,
    energy_fraction,
)
from conformance.plant.scenario import random_day

HEADER = (
    "| day | packs | sky | chargers hold | latency | boards tripped | worst pack | energy |"
    " energy by the end of bulk | charge limit at 0 | discharge limit at 0 |"
)
WORST_PERCENT = 102.0
LEAST_CLEAR_ENERGY = 0.99


def one_day(job: tuple[int, bool]) -> tuple[str, list[str]]:
    """Return a table row and what broke a promise."""
    seed, with_sum = job
    scenario = random_day(seed)
    ours = day(scenario)
    yardstick = day(scenario, limiter=ALL_KNOWING)
    energy = energy_fraction(ours, yardstick)
    sky = "cloudy" if scenario.sun.cloudy else "clear"
    trips, worst = str(ours.trips()), f"{ours.worst_percent():.1f} %"
    if with_sum:
        summed = day(scenario, limiter=PLAIN_SUM)
        trips += f" (sum: {summed.trips()})"
        worst += f" (sum: {summed.worst_percent():.0f} %)"
    cells = (
        seed, len(scenario.packs), sky, scenario.charger.limits,
        f"{scenario.charger.latency_s:.0f} s", trips, worst, f"{100 * energy:.2f} %",
        f"{100 * bulk_fraction(ours, yardstick):.1f} %", f"{ours.denied_s['charge']:.0f} s",
        f"{ours.denied_s['discharge']:.0f} s",
    )  # fmt: skip
    broken = []
    if ours.trips():
        broken.append(f"day {seed}: {ours.trips()} boards tripped")
    if ours.worst_percent() > WORST_PERCENT:
        broken.append(f"day {seed}: a pack at {ours.worst_percent():.1f} % of its limit")
    if sky == "clear" and energy < LEAST_CLEAR_ENERGY:
        broken.append(f"day {seed}: {100 * energy:.2f} % of the all-knowing limiter's energy")
    return "| " + " | ".join(str(cell) for cell in cells) + " |", broken


def main(arguments: list[str] | None = None) -> int:
    """Run the days, print the table; with --check, 1 if a promise broke."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.days", description=__doc__)
    parser.add_argument("--days", type=int, default=20)
    parser.add_argument("--sum", action="store_true", help="also run each day on summed limits")
    parser.add_argument("--check", action="store_true", help="exit 1 if a promise broke")
    chosen = parser.parse_args(arguments)
    print(HEADER)
    print("|" + " --- |" * HEADER.count(" |"))
    broken: list[str] = []
    with Pool() as pool:
        jobs = [(seed, chosen.sum) for seed in range(1, chosen.days + 1)]
        for row, failed in pool.imap(one_day, jobs):
            print(row, flush=True)
            broken += failed
    for line in broken:
        print(line, file=sys.stderr)
    passed = chosen.days - len({line.split(":")[0] for line in broken})
    print(f"{passed} passed, {chosen.days - passed} failed")
    return 1 if chosen.check and broken else 0


if __name__ == "__main__":
    sys.exit(main())
