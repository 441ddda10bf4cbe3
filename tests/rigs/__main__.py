"""`python -m tests.rigs`: all stories on all buses; 1 if our gateway fails or the bad one passes."""

import sys
import tempfile
from functools import partial
from pathlib import Path

from tests.rigs.run import BUSES, on_bus, side_by_side


def main() -> int:
    """Run and print it."""
    with tempfile.TemporaryDirectory() as folder:
        tasks = {name: partial(on_bus, name, Path(folder) / name) for name in BUSES}
        results = side_by_side(tasks)
    for name, result in results.items():
        print(f"== {name}: exit code {result.code}\n{result.screen}")
    return int({name: result.code for name, result in results.items()}
               != {"can": 0, "modbus": 0, "mqtt": 0, "bad": 1})  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
