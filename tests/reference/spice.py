"""Runs the netlists beside this file in ngspice, an independent circuit simulator.

A missing ngspice is an error, not a reason to skip: these comparisons are what the plant rests on.
"""

import subprocess
from pathlib import Path

NETLISTS = Path(__file__).parent / "netlists"
LONGEST_S = 60

Row = list[float]


class SpiceError(Exception):
    """ngspice is missing, failed, or printed something else than numbers."""


def run(name: str, folder: Path) -> str:
    """Run netlist `name` in `folder`, and return what it printed."""
    try:
        done = subprocess.run(
            ["ngspice", "-b", str(NETLISTS / f"{name}.cir")],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=LONGEST_S,
            check=False,
        )
    except FileNotFoundError:
        raise SpiceError("ngspice: expected on this machine; apt-get install ngspice") from None
    if done.returncode:
        raise SpiceError(f"{name}: ngspice failed: {done.stdout[-500:]} {done.stderr[-500:]}")
    return done.stdout


def points(name: str, folder: Path) -> list[dict[str, float]]:
    """Return the operating points that a netlist prints, `{"v(bus)": 53.4, "i(va)": ...}` each."""
    found: list[dict[str, float]] = []
    for line in run(name, folder).splitlines():
        key, equals, value = line.partition(" = ")
        if not equals or not key.startswith(("v(", "i(")):
            continue
        if not found or key in found[-1]:
            found.append({})
        found[-1][key] = float(value)
    return found


def series(name: str, folder: Path) -> dict[int, Row]:
    """Return a transient by its full seconds: bus voltage [V], then each pack's current [A]."""
    run(name, folder)
    rows: dict[int, Row] = {}
    for line in (folder / "out.txt").read_text().splitlines():
        numbers = [float(word) for word in line.split()]
        at_s = round(numbers[0])
        if abs(numbers[0] - at_s) < 1e-6:
            rows[at_s] = numbers[1::2]  # each vector comes with its own time
    return rows
