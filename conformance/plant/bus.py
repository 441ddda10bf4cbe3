"""How a current splits over packs in parallel, and the most that may flow.

Charge current is positive. Each pack is an EMF behind a resistance; a star joins them at one
point, a ladder at taps along a bus that is fed from its near end. A pack whose charge path is open
passes only discharge (the body diode of its switch, taken as ideal), and the other way round; which
packs carry is found by an active-set loop. There is no bus capacitance: the split is algebraic.

Source: Millman's theorem with a current injection, "Lessons in Electric Circuits", DC,
network-theorem chapter; the ladder by Thevenin equivalents from the far end.
"""

from collections.abc import Callable
from math import inf

LEAK_S = 1e-9  # stands in for an open path, so that there always is a solution
NOTHING_A = 1e-6

TotalOf = Callable[[float, float], float]  # of the bank's open-circuit voltage and resistance


class Bus:
    """The wiring: `ohm` of each pack, `segment_ohm` between neighbouring taps (0: a star)."""

    def __init__(self, ohm: list[float], segment_ohm: float = 0.0) -> None:
        self.ohm = ohm
        self.segment_ohm = segment_ohm
        self.volt = 0.0  # at the near end, after `split`; no path left: 0 dead, inf unloaded
        self._siemens = [1 / one for one in ohm]

    def split(
        self,
        emf_v: list[float],
        total_a: float,
        charge_open: list[bool],
        discharge_open: list[bool],
    ) -> list[float]:
        """Return each pack's current [A] for a total; sets `volt`, the bus voltage [V].

        With no path left, the current has nowhere to go: all zero.
        """
        return self._settle(emf_v, charge_open, discharge_open, lambda volt, ohm: total_a)

    def hold_a(
        self,
        emf_v: list[float],
        volt: float,
        charge_open: list[bool],
        discharge_open: list[bool],
        beside_a: float = 0.0,
        drop_ohm: float = 0.0,
    ) -> float:
        """Return the output [A] of a source that holds its own terminals at `volt`.

        `beside_a` flows into the bus besides; `drop_ohm` lies between the source and the bus (its
        lead, and its droop). Negative: the bus is above `volt` even without it.
        """
        output_a = 0.0

        def total_of(open_v: float, ohm: float) -> float:
            nonlocal output_a
            output_a = (volt - open_v - ohm * beside_a) / (ohm + drop_ohm)
            return output_a + beside_a

        self._settle(emf_v, charge_open, discharge_open, total_of)
        return output_a

    def most_a(
        self,
        emf_v: list[float],
        limit_a: list[float],
        charge_open: list[bool],
        discharge_open: list[bool],
        sign: int = 1,
        volt_limit_v: float | None = None,
    ) -> float:
        """Return the largest total [A] in direction `sign` with every pack within `limit_a`.

        min over packs of (L_i - c_i) / s_i, where I_i = s_i I + c_i; likewise for the bus voltage,
        if it has a limit. May be negative: then idle circulation alone exceeds a limit.
        """
        closed = discharge_open if sign < 0 else charge_open
        if all(closed):
            return 0.0
        # Shares and offsets on the set of packs that carry in this direction.
        still = self.split(emf_v, 0.0, closed, closed)
        still_v = self.volt
        moved = self.split(emf_v, sign * 100.0, closed, closed)
        most = inf
        if volt_limit_v is not None:
            most = (volt_limit_v - still_v) / (self.volt - still_v) * 100.0
        for i, limit in enumerate(limit_a):
            share = (moved[i] - still[i]) * sign / 100.0
            if not closed[i] and share > 0:
                most = min(most, (limit - sign * still[i]) / share)
        return most

    def _settle(
        self,
        emf_v: list[float],
        charge_open: list[bool],
        discharge_open: list[bool],
        total_of: TotalOf,
    ) -> list[float]:
        """Find who carries, and return the currents."""
        carrying = self._siemens
        if True not in charge_open and True not in discharge_open:
            return self._linear(emf_v, carrying, total_of)
        for _ in range(4 * len(emf_v)):
            flow_a = self._linear(emf_v, carrying, total_of)
            found = [
                LEAK_S if (charge_open[i] if a > 0 else discharge_open[i]) else self._siemens[i]
                for i, a in enumerate(flow_a)
            ]
            if found == carrying:
                break
            carrying = found
        total_a = sum(flow_a)
        if max(carrying) == LEAK_S and abs(total_a) > NOTHING_A:
            self.volt = inf if total_a > 0 else 0.0
        return [0.0 if s == LEAK_S else a for a, s in zip(flow_a, carrying, strict=True)]

    def _linear(self, emf_v: list[float], siemens: list[float], total_of: TotalOf) -> list[float]:
        if self.segment_ohm:
            return self._ladder(emf_v, siemens, total_of)
        all_s = sum(siemens)
        short_a = sum([s * e for s, e in zip(siemens, emf_v, strict=True)])
        open_v = short_a / all_s
        self.volt = volt = open_v + total_of(open_v, 1 / all_s) / all_s
        return [(volt - e) * s for s, e in zip(siemens, emf_v, strict=True)]

    def _ladder(self, emf_v: list[float], siemens: list[float], total_of: TotalOf) -> list[float]:
        open_v, open_ohm = list(emf_v), [1 / s for s in siemens]
        for k in range(len(emf_v) - 2, -1, -1):
            there = 1 / (open_ohm[k + 1] + self.segment_ohm)
            both = siemens[k] + there
            open_v[k] = (siemens[k] * emf_v[k] + there * open_v[k + 1]) / both
            open_ohm[k] = 1 / both
        onward_a = total_of(open_v[0], open_ohm[0])
        self.volt = open_v[0] + open_ohm[0] * onward_a
        flow_a = []
        for k, s in enumerate(siemens):
            flow_a.append((open_v[k] + open_ohm[k] * onward_a - emf_v[k]) * s)
            onward_a -= flow_a[k]
        return flow_a
