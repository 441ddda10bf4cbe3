"""The plant's cell against PyBaMM's equivalent-circuit model; prints "N passed, N failed".

A step of its own, since PyBaMM takes about 0.8 GB: python -m venv V && V/bin/pip install pybamm
attrs, then V/bin/python tests/reference/pybamm_check.py from the top of the repository.
Also checks the closed form of the open-circuit curve against the parameter set Prada2013.
"""

import os
import sys
from pathlib import Path
from typing import Any

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np  # comes with PyBaMM
import pybamm  # type: ignore[import-not-found]  # in a venv of its own

from conformance.plant.cell import CELLS, looked_up_v, open_circuit_v
from tests.reference.runs import PROFILE, even_pack, profile_run

MOST_MV = 0.1
R0_OHM, R1_OHM, TAU_S, CAPACITY_AH, START = 0.0004, 0.0002, 60.0, 280.0, 0.7


def their_curve(charges: list[float]) -> list[float]:
    """Return Prada2013's open-circuit voltage at each charge."""
    values = pybamm.ParameterValues("Prada2013")
    x0, x100, y100, y0 = pybamm.lithium_ion.get_min_max_stoichiometries(values)
    low, high = values["Negative electrode OCP [V]"], values["Positive electrode OCP [V]"]

    def volt(electrode: Any, stoichiometry: float) -> float:
        return float(values.process_symbol(electrode(pybamm.Scalar(stoichiometry))).evaluate())

    return [volt(high, y0 + (y100 - y0) * z) - volt(low, x0 + (x100 - x0) * z) for z in charges]


def curve_symbol(charge: Any) -> Any:
    """The same closed form as an expression of PyBaMM's."""
    y = 0.7035020209 + (0.0037615921 - 0.7035020209) * charge
    x = 0.0176179318 + (0.8100434953 - 0.0176179318) * charge
    return (
        3.4077
        - 0.020269 * y
        + 0.5 * pybamm.exp(-150 * y)
        - 0.9 * pybamm.exp(-30 * (1 - y))
        - 1.9793 * pybamm.exp(-39.3631 * x)
        - 0.2482
        + 0.0909 * pybamm.tanh(29.8538 * (x - 0.1234))
        + 0.04478 * pybamm.tanh(14.9159 * (x - 0.2769))
        + 0.0205 * pybamm.tanh(30.4444 * (x - 0.6103))
    )


def their_run(times_s: list[int]) -> tuple[list[float], float]:
    """Return the cell voltages at the times, and the charge at the last. PyBaMM: + is discharge."""
    model = pybamm.equivalent_circuit.Thevenin()
    values = model.default_parameter_values
    edges, amps, at_s = [], [], 0.0
    for seconds, current_a in PROFILE:
        edges += [at_s, at_s + seconds - 1e-4]
        amps += [-current_a, -current_a]
        at_s += seconds
    edges.append(at_s + 1)  # the solver looks a little beyond its end
    amps.append(amps[-1])
    values.update(
        {
            "Open-circuit voltage [V]": curve_symbol,
            "R0 [Ohm]": R0_OHM,
            "R1 [Ohm]": R1_OHM,
            "C1 [F]": TAU_S / R1_OHM,
            "Cell capacity [A.h]": CAPACITY_AH,
            "Initial SoC": START,
            "Entropic change [V/K]": 0,
            "Upper voltage cut-off [V]": 4.2,
            "Lower voltage cut-off [V]": 2.0,
            "Current function [A]": pybamm.Interpolant(np.array(edges), np.array(amps), pybamm.t),
        },
        check_already_exists=False,
    )
    simulation = pybamm.Simulation(model, parameter_values=values)
    solution = simulation.solve(
        np.array([*edges[:-1], at_s]),  # where the solver stops, so that it meets every step
        solver=pybamm.IDAKLUSolver(rtol=1e-9, atol=1e-9),
        t_interp=np.array(times_s, dtype=float),
    )
    volts = solution["Voltage [V]"](times_s)
    return [float(v) for v in volts], float(solution["SoC"](times_s[-1]))


def main() -> int:
    """Compare, and say how it went."""
    passed = failed = 0

    def check(what: str, error: float, most: float) -> None:
        nonlocal passed, failed
        good = error <= most  # a nan is not
        passed, failed = passed + good, failed + (not good)
        print(f"{'ok  ' if good else 'FAIL'} {what}: off by {error:.2g}, at most {most:g}")

    charges = [i / 997 for i in range(998)]  # mostly between the table's points
    theirs = their_curve(charges)
    pairs = list(zip(charges, theirs, strict=True))
    closed_mv = max(abs(open_circuit_v(z) - v) for z, v in pairs) * 1_000
    check("closed form of the curve [mV]", closed_mv, 1e-4)
    table_mv = max(abs(looked_up_v(z) - v) for z, v in pairs) * 1_000
    check("table of the curve [mV]", table_mv, MOST_MV)

    # Not where the current steps: there it depends on which side of the step one looks.
    times = [t for t in range(10, 5_000, 10) if t not in (600, 1_200, 3_000)]
    volts, charge = their_run(times)
    for dt_s in (0.1, 1.0, 10.0):
        pack = even_pack(START, R0_OHM * CELLS)
        ours = profile_run(pack, dt_s)
        error_mv = max(abs(ours[round(t / dt_s)] - v) for t, v in zip(times, volts, strict=True))
        check(f"cell voltage, step {dt_s} s [mV]", error_mv * 1_000, MOST_MV)
        check(f"cell charge at the end, step {dt_s} s [of 1]", abs(pack.charge[3] - charge), 1e-6)
    print(f"{passed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
