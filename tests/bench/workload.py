"""Kinds of work to measure, the same on every interpreter. Runs on MicroPython, too.

`python -m tests.bench.workload PACKS WORK TIMES` does one kind of work
(WORKS, at the end) so many times, for an instruction counter to watch; WORK `time` prints the
shortest duration of each kind instead [ns]. All numbers are invented.
"""

import sys

from aggregator import Aggregator
from tests.bench.load import STEP_MS, new_report, read, settings_of

try:
    from time import perf_counter_ns as nanoseconds
except ImportError:
    from time import ticks_us

    def nanoseconds():
        return ticks_us() * 1_000


class Workload:
    """A bank of `count` packs and the report object of each."""

    def __init__(self, count):
        self.bank = Aggregator(settings_of(count))
        self.now_ms = 0
        self.tick = 0
        self.reports = [new_report(i) for i in range(count)]

    def move(self):
        """The next reading of every pack."""
        self.now_ms = (self.now_ms + STEP_MS) & 0x3FFFFFFF
        self.tick += 1
        for i in range(len(self.reports)):
            read(self.reports[i], i, self.tick)

    def accept(self):
        """Hand every report over."""
        for report in self.reports:
            self.bank.accept(report, self.now_ms)

    def step(self):
        """Let the bank work everything out."""
        self.bank.step(self.now_ms)


def read_all(reports):
    """The floor: read twenty fields of every report once, and do nothing with them."""
    for report in reports:
        _ = report.voltage_mv
        _ = report.current_ma
        _ = report.cell_min_mv
        _ = report.cell_max_mv
        _ = report.cell_min_no
        _ = report.cell_max_no
        _ = report.temperature_min_decic
        _ = report.temperature_max_decic
        _ = report.soc_permille
        _ = report.soh_permille
        _ = report.capacity_mah
        _ = report.charge_allowed
        _ = report.discharge_allowed
        _ = report.charge_path_closed
        _ = report.charge_voltage_limit_mv
        _ = report.discharge_voltage_limit_mv
        _ = report.charge_current_limit_ma
        _ = report.discharge_current_limit_ma
        _ = report.warnings
        _ = report.protections


DICT_FIELDS = (
    "pack",
    "voltage_mv",
    "current_ma",
    "cell_min_mv",
    "cell_max_mv",
    "cell_min_no",
    "cell_max_no",
    "temperature_min_decic",
    "temperature_max_decic",
    "soc_permille",
    "soh_permille",
    "capacity_mah",
    "charge_allowed",
    "discharge_allowed",
    "charge_voltage_limit_mv",
    "discharge_voltage_limit_mv",
    "charge_current_limit_ma",
    "discharge_current_limit_ma",
    "warnings",
    "protections",
)


def as_dicts(reports):
    """The same readings the way a short script would hold them."""
    return [{name: getattr(report, name) for name in DICT_FIELDS} for report in reports]


def merge_dicts(packs):
    """What a short script does: add up and compare the same fields, with no limits worked out."""
    coldest = min(packs, key=lambda pack: pack["temperature_min_decic"])
    hottest = max(packs, key=lambda pack: pack["temperature_max_decic"])
    lowest = min(packs, key=lambda pack: pack["cell_min_mv"])
    highest = max(packs, key=lambda pack: pack["cell_max_mv"])
    voltage_mv = sum([pack["voltage_mv"] for pack in packs]) // len(packs)
    current_ma = sum([pack["current_ma"] for pack in packs])
    capacity_mah = sum([pack["capacity_mah"] for pack in packs])
    charged = sum([pack["soc_permille"] * pack["capacity_mah"] for pack in packs])
    warnings = set()
    protections = set()
    for pack in packs:
        warnings.update(pack["warnings"])
        protections.update(pack["protections"])
    return {
        "voltage_mv": voltage_mv,
        "voltage_min_mv": min([pack["voltage_mv"] for pack in packs]),
        "voltage_max_mv": max([pack["voltage_mv"] for pack in packs]),
        "current_ma": current_ma,
        "power_w": voltage_mv * current_ma // 1_000_000,
        "capacity_mah": capacity_mah,
        "remaining_mah": charged // 1_000,
        "soc_permille": charged // capacity_mah,
        "soc_min_permille": min([pack["soc_permille"] for pack in packs]),
        "soc_max_permille": max([pack["soc_permille"] for pack in packs]),
        "soh_permille": min([pack["soh_permille"] for pack in packs]),
        "cell_min_mv": lowest["cell_min_mv"],
        "cell_min_pack": lowest["pack"],
        "cell_min_no": lowest["cell_min_no"],
        "cell_max_mv": highest["cell_max_mv"],
        "cell_max_pack": highest["pack"],
        "cell_max_no": highest["cell_max_no"],
        "temperature_min_decic": coldest["temperature_min_decic"],
        "temperature_min_pack": coldest["pack"],
        "temperature_max_decic": hottest["temperature_max_decic"],
        "temperature_max_pack": hottest["pack"],
        "warnings": warnings,
        "protections": protections,
        "charge_allowed": min([pack["charge_allowed"] for pack in packs]),
        "discharge_allowed": min([pack["discharge_allowed"] for pack in packs]),
        "charge_voltage_limit_mv": min([pack["charge_voltage_limit_mv"] for pack in packs]),
        "discharge_voltage_limit_mv": max([pack["discharge_voltage_limit_mv"] for pack in packs]),
        "charge_current_limit_ma": sum([pack["charge_current_limit_ma"] for pack in packs]),
        "discharge_current_limit_ma": sum([pack["discharge_current_limit_ma"] for pack in packs]),
    }


# The kinds of work. Those of the bank need every report moved (and accepted) first, so the cost of
# `move` and `accept` is measured alone, too, and subtracted.


def move(load, packs, times):
    """Only move the readings."""
    for _ in range(times):
        load.move()


def accept(load, packs, times):
    """Move the readings and hand them over."""
    for _ in range(times):
        load.move()
        load.accept()


def step(load, packs, times):
    """Move the readings, hand them over, and step."""
    for _ in range(times):
        load.move()
        load.accept()
        load.step()


def floor(load, packs, times):
    """Read every field once."""
    for _ in range(times):
        read_all(load.reports)


def dicts(load, packs, times):
    """The plain script's merge."""
    for _ in range(times):
        merge_dicts(packs)


WORKS = (("move", move), ("accept", accept), ("step", step), ("floor", floor), ("dicts", dicts))


def shortest(act, rounds=200):
    """Return the shortest duration [ns] of `act`, called with no arguments."""
    best = None
    for _ in range(rounds):
        before = nanoseconds()
        act()
        gone = nanoseconds() - before
        if best is None or gone < best:
            best = gone
    return best


def shortest_of_all(load, packs):
    """Print the shortest duration of accept, step, floor and dicts: name, nanoseconds.

    Steps take turns (see findings.py), so `step` is the shortest mean over a whole round of turns
    and blocks of shares: 60 steps.
    """
    best_accept = None
    best_step = None
    for _ in range(12):
        accepting = 0
        stepping = 0
        for _ in range(60):
            load.move()
            start = nanoseconds()
            load.accept()
            middle = nanoseconds()
            load.step()
            stepping += nanoseconds() - middle
            accepting += middle - start
        best_accept = accepting if best_accept is None else min(best_accept, accepting)
        best_step = stepping if best_step is None else min(best_step, stepping)
    print("accept", best_accept // 60)
    print("step", best_step // 60)
    print("floor", shortest(lambda: [read_all(load.reports) for _ in range(20)]) // 20)
    print("dicts", shortest(lambda: [merge_dicts(packs) for _ in range(20)]) // 20)


def main():
    count, work, times = sys.argv[1:4]
    load = Workload(int(count))
    packs = as_dicts(load.reports)
    if work == "time":
        shortest_of_all(load, packs)
        return
    for name, act in WORKS:
        if name == work:
            act(load, packs, int(times))


if __name__ == "__main__":
    main()
