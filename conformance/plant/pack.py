"""Sixteen cells in series with one RC, an ohmic part, and a balancer."""

from math import exp
from random import Random

from .cell import CELLS, POINTS, TABLE, looked_up_v
from .scenario import HOUR_S, PackModel

BALANCE_FROM_V = 3.40  # bleed a cell above this ...
BALANCE_SPREAD_V = 0.010  # ... and this much above the lowest (common practice, no source)


class Pack:
    """The physical state of one pack. Charge current positive, A and V."""

    def __init__(self, model: PackModel, random: Random) -> None:
        self.model = model
        self.cell_as = [
            model.capacity_ah * HOUR_S * (1 + random.gauss(0, model.capacity_spread))
            for _ in range(CELLS)
        ]
        self.charge = [
            min(0.999, max(0.001, model.charge + random.gauss(0, model.charge_spread)))
            for _ in range(CELLS)
        ]
        self.charge[0] = min(0.999, self.charge[0] + model.high_cell_charge)
        self.internal_ohm = CELLS * model.cell_ohm
        self.rc_ohm = CELLS * model.cell_rc_ohm
        self.rc_v = 0.0
        self.ohm = self.internal_ohm + model.external_ohm
        self.current_a = 0.0
        self.cells_v = [looked_up_v(z) for z in self.charge]
        self.open_v = sum(self.cells_v)
        self.high_v = max(self.cells_v)
        self.low_v = min(self.cells_v)
        self.bleeding = False
        self.heat_j = 0.0
        self.bled_j = 0.0
        self._decay = (0.0, 0.0)

    def emf_v(self) -> float:
        """What the pack shows behind its ohmic resistance."""
        return self.open_v + self.rc_v

    def stack_v(self) -> float:
        """What a board measures: the cells' voltage, before switches, joints and leads."""
        return self.open_v + self.rc_v + self.internal_ohm * self.current_a

    def mean_charge(self) -> float:
        """The pack's state of charge, by charge."""
        return sum(z * q for z, q in zip(self.charge, self.cell_as, strict=True)) / sum(
            self.cell_as
        )

    def stored_j(self, steps: int = 400) -> float:
        """Return the energy [J] in the cells above empty, by integrating the curve (slow)."""
        total = 0.0
        for z, q in zip(self.charge, self.cell_as, strict=True):
            h = z / steps
            total += q * h * sum(looked_up_v((k + 0.5) * h) for k in range(steps))
        return total

    def pass_current(self, current_a: float, dt_s: float) -> None:
        """Let a current flow for a step: Euler for the charge, exact for the RC."""
        self.current_a = current_a
        if self._decay[0] != dt_s:
            self._decay = (dt_s, exp(-dt_s / self.model.rc_s))
        decay = self._decay[1]
        # Heat: the ohmic part, and the RC's resistor at its mean voltage over the step.
        before_v = self.rc_v
        self.rc_v = before_v * decay + self.rc_ohm * current_a * (1 - decay)
        mean_v = (before_v + self.rc_v) / 2
        self.heat_j += (self.ohm * current_a * current_a + mean_v * current_a) * dt_s
        charge = self.charge
        size = self.cell_as
        amps_s = current_a * dt_s
        if self.high_v > BALANCE_FROM_V:
            self._bleed(dt_s)
        else:
            self.bleeding = False
        volts = self.cells_v
        total = 0.0
        high = -9.0
        low = 9.0
        for k in range(CELLS):
            z = charge[k] = charge[k] + amps_s / size[k]
            place = z * POINTS
            if 0.0 < place < POINTS:
                i = int(place)
                left = TABLE[i]
                v = left + (TABLE[i + 1] - left) * (place - i)
            else:
                v = looked_up_v(z)
            volts[k] = v
            total += v
            if v > high:
                high = v
            if v < low:
                low = v
        self.open_v = total
        part = (self.rc_v + self.internal_ohm * current_a) / CELLS
        self.high_v = high + part
        self.low_v = low + part

    def _bleed(self, dt_s: float) -> None:
        """Passive balancing: the high cells lose a little."""
        part = (self.rc_v + self.internal_ohm * self.current_a) / CELLS
        floor_v = max(BALANCE_FROM_V, self.low_v + BALANCE_SPREAD_V)
        self.bleeding = False
        for k, v in enumerate(self.cells_v):
            if v + part > floor_v:
                self.bleeding = True
                self.charge[k] -= self.model.bleed_a * dt_s / self.cell_as[k]
                self.bled_j += self.model.bleed_a * dt_s * v
