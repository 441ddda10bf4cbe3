"""`python -m tests.day [--minutes M] [--speed N] [--seed S] [--calm] [--check]`: a day on site."""

import argparse
import sys
import tempfile
from pathlib import Path

from tests.day.result import lines
from tests.day.run import site_day

# Of its own limit. A limit that falls while its pack cannot be heard is not known to anybody: see
# docs/explanation/performance.md.
MOST_PERCENT = {"calm": 102.0, "faults": 105.0}


def main() -> int:
    """Run it, print it; with --check, 1 if a promise is broken."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=75.0)
    parser.add_argument("--speed", type=float, default=30.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--calm", action="store_true", help="nothing goes wrong")
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--journal", action="store_true", help="print the gateway's events, too")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        result = site_day(Path(folder), chosen.seed, chosen.minutes, chosen.speed, not chosen.calm)
    if chosen.journal:
        for event in result.events:
            print(event.get("at", ""), event.get("text", event))
    for line in lines(result):
        print(line)
    most = MOST_PERCENT["calm" if chosen.calm else "faults"]
    broken = result.trips or any(peak.percent > most for peak in result.peaks.values())
    return 1 if chosen.check and broken else 0


if __name__ == "__main__":
    sys.exit(main())
