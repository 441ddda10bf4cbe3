"""Small banks run through the plant's own packs and bus, for comparison with other solvers."""

from math import exp, inf
from random import Random

from conformance.plant.bus import Bus
from conformance.plant.cell import CELLS
from conformance.plant.pack import Pack
from conformance.plant.scenario import HOUR_S, PackModel

Row = list[float]  # bus voltage [V], then each pack's current [A]


def even_pack(charge: float, ohm: float, **changes: object) -> Pack:
    """Return a 280 Ah pack of sixteen equal cells with `ohm` in all, and an RC of 3.2 mOhm, 60 s."""
    fields: dict[str, object] = {
        "pack": "even",
        "capacity_ah": 280.0,
        "charge": charge,
        "cell_ohm": ohm / CELLS,
        "external_ohm": 0.0,
        "cell_rc_ohm": 0.0032 / CELLS,
        "charge_spread": 0.0,
        "capacity_spread": 0.0,
        "ohm_spread": 0.0,
        **changes,
    }
    return Pack(PackModel(**fields), Random(1))  # type: ignore[arg-type]  # plain fields


def knee_bank() -> list[Pack]:
    """Return the two packs that go through the knee: one of them stiffer and less full."""
    return [even_pack(0.90, 0.008), even_pack(0.87, 0.014)]


def run(
    packs: list[Pack],
    seconds: float,
    dt_s: float = 1.0,
    total_a: float = inf,
    volt: float | None = None,
) -> list[Row]:
    """Feed a star with `total_a` until it is at `volt`, then hold that; a row before each step."""
    bus = Bus([pack.ohm for pack in packs])
    closed = [False] * len(packs)
    rows = []
    for _ in range(round(seconds / dt_s) + 1):
        emf_v = [pack.emf_v() for pack in packs]
        fed_a = total_a
        if volt is not None:
            fed_a = min(total_a, bus.hold_a(emf_v, volt, closed, closed))
        currents = bus.split(emf_v, fed_a, closed, closed)
        rows.append([bus.volt, *currents])
        for pack, amps in zip(packs, currents, strict=True):
            pack.pass_current(amps, dt_s)
    return rows


def affine_run(seconds: int, dt_s: float) -> list[Row]:
    """Two packs of 280 Ah behind 8 and 12 mOhm, EMF 50 V + 80 V per unit of charge, at 100 A:
    the plant's bus and its Euler step on a curve that has a closed form."""
    bus = Bus([0.008, 0.012])
    closed = [False, False]
    charge = [0.5, 0.5]
    rows = []
    for _ in range(round(seconds / dt_s) + 1):
        currents = bus.split([50 + 80 * z for z in charge], 100.0, closed, closed)
        rows.append([bus.volt, *currents])
        charge = [
            z + amps * dt_s / (280 * HOUR_S) for z, amps in zip(charge, currents, strict=True)
        ]
    return rows


def affine_a(at_s: float) -> float:
    """Return the first pack's current [A] in the same bank, in closed form.

    tau = (R1 + R2) / (k (1/Q1 + 1/Q2)) = 126 s; from 60 A by resistance to 50 A by capacity.
    """
    tau_s = (0.008 + 0.012) / (80 * 2 / (280 * HOUR_S))
    return 50 + 10 * exp(-at_s / tau_s)


# Seconds and amperes: one cell of 280 Ah, 70 % full, charged, discharged, charged and left alone.
PROFILE = ((600, 140.0), (600, -70.0), (1_800, 100.0), (2_000, 0.0))


def profile_run(pack: Pack, dt_s: float) -> list[float]:
    """Take a pack of equal cells through PROFILE; return a cell's voltage [V] at each step."""
    volts = []
    for seconds, amps in PROFILE:
        for _ in range(round(seconds / dt_s)):
            volts.append((pack.emf_v() + pack.internal_ohm * amps) / CELLS)
            pack.pass_current(amps, dt_s)
    return volts
