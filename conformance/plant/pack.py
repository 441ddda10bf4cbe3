"""Sixteen cells in series with one RC, an ohmic part, and a balancer."""

from math import copysign, exp
from random import Random

from .cell import CELLS, LINES, POINTS, looked_up_v, stored_v
from .scenario import HOUR_S, PackModel

BALANCE_FROM_V = 3.40  # bleed a cell above this ...
BALANCE_SPREAD_V = 0.010  # ... and this much above the lowest (common practice, no source)
REFERENCE_C, DOUBLES_K = 25.0, 25.0  # resistance doubles for each 25 K colder (from memory)


class Pack:
    """The physical state of one pack. Charge current positive, A and V.

    `cells_v`, `high_v`, `low_v` are at the cells' terminals, as a board measures them.
    """

    def __init__(self, model: PackModel, random: Random) -> None:
        self.model = model
        self.cell_as = [
            model.capacity_ah * HOUR_S * (1 + random.gauss(0, model.capacity_spread))
            for _ in range(CELLS)
        ]
        # Balanced at the top, where balancers work: a small cell is not ahead there, it is behind
        # at the bottom.
        missing_as = (1 - model.charge) * model.capacity_ah * HOUR_S
        self.charge = [
            min(0.999, max(0.001, 1 - missing_as / q + random.gauss(0, model.charge_spread)))
            for q in self.cell_as
        ]
        self.charge[0] = min(0.999, self.charge[0] + model.high_cell_charge)
        stiffer = 1.0
        if model.stiffens_in_cold:
            stiffer = max(1.0, 2 ** ((REFERENCE_C - model.temperature_c) / DOUBLES_K))
        self.cell_ohm = [
            model.cell_ohm * stiffer * max(0.1, 1 + random.gauss(0, model.ohm_spread))
            for _ in range(CELLS)
        ]
        self._cells = list(zip(self.cell_as, self.cell_ohm, strict=True))
        self.internal_ohm = sum(self.cell_ohm)
        self.rc_ohm = CELLS * model.cell_rc_ohm * stiffer
        self.ohm = self.internal_ohm + model.external_ohm
        self.temperature_c = model.temperature_c
        self.current_a = 0.0
        self.rc_v = 0.0
        self.hysteresis_v = 0.0  # where the pack is between its charge and its discharge curve
        self.cells_v = [looked_up_v(z) for z in self.charge]
        self.open_v = sum(self.cells_v)
        self.high_v = max(self.cells_v)
        self.low_v = min(self.cells_v)
        self.bleeding = False
        # What has passed since the start: charge and energy at the bus, energy lost.
        self.charged_as = self.discharged_as = 0.0
        self.energy_j = self.heat_j = self.bled_j = 0.0
        self._step_s = self._decay = 0.0

    def emf_v(self) -> float:
        """What the pack shows behind its ohmic resistance."""
        return self.open_v + self.rc_v + self.hysteresis_v

    def stack_v(self) -> float:
        """What a board measures: the cells' voltage, before switches, joints and leads."""
        return self.emf_v() + self.internal_ohm * self.current_a

    def mean_charge(self) -> float:
        """The pack's state of charge, by charge."""
        stored_as = sum([z * q for z, q in zip(self.charge, self.cell_as, strict=True)])
        return stored_as / sum(self.cell_as)

    def stored_j(self) -> float:
        """Return the energy [J] in the cells above empty."""
        return sum([stored_v(z) * q for z, q in zip(self.charge, self.cell_as, strict=True)])

    def pass_current(self, current_a: float, dt_s: float) -> None:
        """Let a current flow for a step: Euler for the charge, exact for the RC."""
        self.current_a = current_a
        amps_s = current_a * dt_s
        if amps_s > 0:
            self.charged_as += amps_s
        else:
            self.discharged_as -= amps_s
        self.energy_j += (self.emf_v() + self.ohm * current_a) * amps_s
        if self._step_s != dt_s:
            self._step_s, self._decay = dt_s, exp(-dt_s / self.model.rc_s)
        rc_v = self.rc_v
        self.rc_v = rc_v * self._decay + self.rc_ohm * current_a * (1 - self._decay)
        # The ohmic part, and what goes into the RC at its mean voltage over the step.
        heat_j = (self.ohm * current_a + (rc_v + self.rc_v) / 2) * amps_s
        if self.model.hysteresis_v:
            heat_j += self._lag(amps_s)
        self.heat_j += heat_j
        warmer_k = self.model.temperature_c + self.model.warming_k_per_w * heat_j / dt_s
        self.temperature_c += (warmer_k - self.temperature_c) * dt_s / self.model.warming_s
        if self.high_v > BALANCE_FROM_V:
            self._bleed(dt_s)
        else:
            self.bleeding = False
        self._move(amps_s, current_a)

    def _move(self, amps_s: float, current_a: float) -> None:
        """Move the charge of every cell, and look at the voltages. The hottest loop of the plant:
        the table look-up is written out here."""
        common_v = (self.rc_v + self.hysteresis_v) / CELLS
        charge, volts = self.charge, self.cells_v
        total = 0.0
        for k, (q, ohm) in enumerate(self._cells):
            z = charge[k] + amps_s / q
            charge[k] = z
            place = z * POINTS
            if 0.0 < place < POINTS:
                at_v, slope_v = LINES[int(place)]
                v = at_v + slope_v * place
            else:
                v = looked_up_v(z)
            total += v
            volts[k] = v + ohm * current_a + common_v
        self.open_v = total
        self.high_v = max(volts)
        self.low_v = min(volts)

    def _lag(self, amps_s: float) -> float:
        """Move between the charge and the discharge curve, with the charge that passes; return what
        that turns into heat."""
        before_v = self.hysteresis_v
        target_v = copysign(CELLS * self.model.hysteresis_v, amps_s)
        width_as = self.model.hysteresis_charge * self.model.capacity_ah * HOUR_S
        self.hysteresis_v = target_v + (before_v - target_v) * exp(-abs(amps_s) / width_as)
        return (before_v + self.hysteresis_v) / 2 * amps_s

    def _bleed(self, dt_s: float) -> None:
        """Passive balancing: the high cells lose a little."""
        floor_v = max(BALANCE_FROM_V, self.low_v + BALANCE_SPREAD_V)
        self.bleeding = False
        for k, v in enumerate(self.cells_v):
            if v > floor_v:
                self.bleeding = True
                self.bled_j += self.model.bleed_a * dt_s * looked_up_v(self.charge[k])
                self.charge[k] -= self.model.bleed_a * dt_s / self.cell_as[k]
