"""How a current splits over packs in parallel, and the most that may flow.

Charge current is positive. Each pack is an EMF behind a resistance; a star joins them at one
point, a ladder at taps along a bus that is fed from its near end. A pack whose charge path is open
passes only discharge (the body diode of its switch), and the other way round; which packs carry is
found by an active-set loop. There is no bus capacitance: the split is algebraic.

Source: Millman's theorem with a current injection, "Lessons in Electric Circuits", DC,
network-theorem chapter; the ladder by Thevenin equivalents from the far end.
"""


class Bus:
    """The wiring: `ohm` of each pack, `segment_ohm` between neighbouring taps (0: a star)."""

    def __init__(self, ohm: list[float], segment_ohm: float = 0.0) -> None:
        self.ohm = ohm
        self.segment_ohm = segment_ohm
        self.volt = 0.0  # at the near end, after `split`

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
        carrying = [not (c and d) for c, d in zip(charge_open, discharge_open, strict=True)]
        while True:
            current_a = self._linear(emf_v, total_a, carrying)
            blocked = [
                i
                for i, a in enumerate(current_a)
                if carrying[i] and ((charge_open[i] and a > 0) or (discharge_open[i] and a < 0))
            ]
            if not blocked:
                return current_a
            for i in blocked:
                carrying[i] = False

    def _linear(self, emf_v: list[float], total_a: float, carrying: list[bool]) -> list[float]:
        if self.segment_ohm:
            return self._ladder(emf_v, total_a, carrying)
        siemens = 0.0
        amps = total_a
        for i, ohm in enumerate(self.ohm):
            if carrying[i]:
                siemens += 1 / ohm
                amps += emf_v[i] / ohm
        if siemens == 0.0:
            return [0.0] * len(emf_v)
        self.volt = volt = amps / siemens
        return [(volt - emf_v[i]) / ohm if carrying[i] else 0.0 for i, ohm in enumerate(self.ohm)]

    def _ladder(self, emf_v: list[float], total_a: float, carrying: list[bool]) -> list[float]:
        last = len(emf_v) - 1
        while last >= 0 and not carrying[last]:
            last -= 1
        currents = [0.0] * len(emf_v)
        if last < 0:
            return currents
        equal_v = [0.0] * (last + 1)
        equal_ohm = [0.0] * (last + 1)
        equal_v[last], equal_ohm[last] = emf_v[last], self.ohm[last]
        for k in range(last - 1, -1, -1):
            far_ohm = equal_ohm[k + 1] + self.segment_ohm
            here = 1 / self.ohm[k] if carrying[k] else 0.0
            there = 1 / far_ohm
            equal_v[k] = (here * emf_v[k] + there * equal_v[k + 1]) / (here + there)
            equal_ohm[k] = 1 / (here + there)
        flow_a = total_a
        for k in range(last + 1):
            volt = equal_v[k] + equal_ohm[k] * flow_a
            if k == 0:
                self.volt = volt
            if carrying[k]:
                currents[k] = (volt - emf_v[k]) / self.ohm[k]
            flow_a -= currents[k]
        return currents

    def clamp_a(
        self, emf_v: list[float], volt: float, charge_open: list[bool], discharge_open: list[bool]
    ) -> float:
        """Return the total [A] at which the bus (near end) sits at `volt`."""
        if not self.segment_ohm:
            total = 0.0
            for i, ohm in enumerate(self.ohm):
                a = (volt - emf_v[i]) / ohm
                if (a > 0 and not charge_open[i]) or (a < 0 and not discharge_open[i]):
                    total += a
            return total
        # Piecewise linear and rising: two secant steps land on the right piece, a few make sure.
        low_a, high_a = -5_000.0, 5_000.0
        for _ in range(60):
            total = (low_a + high_a) / 2
            self.split(emf_v, total, charge_open, discharge_open)
            if self.volt > volt:
                high_a = total
            else:
                low_a = total
        return (low_a + high_a) / 2

    def most_a(
        self,
        emf_v: list[float],
        limit_a: list[float],
        charge_open: list[bool],
        discharge_open: list[bool],
        sign: int = 1,
    ) -> float:
        """Return the largest total [A] in direction `sign` with every pack within `limit_a`.

        min over packs of (L_i - c_i) / s_i, where I_i = s_i I + c_i. May be negative: then idle
        circulation alone exceeds a limit.
        """
        closed = discharge_open if sign < 0 else charge_open
        if all(closed):
            return 0.0
        # Shares and offsets on the set of packs that carry in this direction.
        no_path = list(closed)
        still = self.split(emf_v, 0.0, no_path, no_path)
        moved = self.split(emf_v, sign * 100.0, no_path, no_path)
        most = float("inf")
        for i, limit in enumerate(limit_a):
            share = (moved[i] - still[i]) * sign / 100.0
            if not closed[i] and share > 0:
                most = min(most, (limit - sign * still[i]) / share)
        return most
