"""How much faster are two workers than one? `python -m tests.bench.campaign [REPEATS]` (Linux).

The same campaign against our own device, by one and by two workers in turn. Other programs on the
machine take time from both: the best of the repeats counts, and the processor time that a story
costs is shown beside it, which they touch less.
"""

import os
import sys
from contextlib import closing
from pathlib import Path
from time import monotonic

from conformance.campaign import STORIES, Campaign
from conformance.crew import LocalCrew

CASES = 12 * STORIES
COUNTS = (1, 2)


def cpu_s(crew: LocalCrew) -> float:
    """Return the processor time [s] that the workers have used so far."""
    ticks = 0
    for worker in crew.workers:
        stat = Path(f"/proc/{worker.process.pid}/stat").read_text(encoding="ascii")
        user, system = stat.rpartition(")")[2].split()[11:13]
        ticks += int(user) + int(system)
    return ticks / os.sysconf("SC_CLK_TCK")


def measured(count: int) -> tuple[float, float]:
    """Return stories a second of the clock, and the same of the workers' processor time."""
    with closing(LocalCrew(count)) as crew:
        Campaign("self", "protocol", 2 * STORIES, seed=1).run(crew)  # everything is imported
        campaign, cpu, began = Campaign("self", "protocol", CASES), cpu_s(crew), monotonic()
        campaign.run(crew)
        return CASES / (monotonic() - began), CASES / (cpu_s(crew) - cpu)


def main(repeats: int) -> None:
    """Print each measurement, and what is best of them."""
    best: dict[int, tuple[float, float]] = dict.fromkeys(COUNTS, (0.0, 0.0))
    for _ in range(repeats):
        for count in COUNTS:
            clock, cpu = measured(count)
            best[count] = max(best[count][0], clock), max(best[count][1], cpu)
            text = f"{count} worker(s): {clock:5.1f} stories/s, {cpu:5.1f} a second of processor"
            print(text, flush=True)
    (clock1, cpu1), (clock2, cpu2) = best[1], best[2]
    print(f"best: {clock2:.1f} against {clock1:.1f} stories/s, {clock2 / clock1:.2f} times as many;"
          f" by processor time {2 * cpu2 / cpu1:.2f}")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3)
