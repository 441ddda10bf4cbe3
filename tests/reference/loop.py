"""The real core in a loop with a bank of ideal sources and resistances: nothing late, nothing lost.

Every second the packs report what the wiring gives them, the core steps, and the chargers (or the
loads) deliver exactly what it allows, up to what they have. In such a loop headroom must come to
the largest safe total of the network, from below.
"""

from attrs import define, field

from conformance.plant.bus import Bus
from tests.bank import Site

PLENTY_A = 10_000.0


@define
class Loop:
    """Packs behind `ohm` with `emf_v` each, all limits `limit_a`; `sign` -1: loads discharge."""

    ohm: list[float]
    emf_v: list[float]
    limit_a: list[float]
    segment_ohm: float = 0.0
    sign: int = 1
    supply_a: float = PLENTY_A
    settings: dict[str, object] = field(factory=dict)
    site: Site = field(init=False)
    bus: Bus = field(init=False)
    lost: list[bool] = field(init=False)
    currents: list[float] = field(init=False)
    most_a: float = 0.0  # the highest limit ever seen
    peak_a: list[float] = field(init=False)

    def __attrs_post_init__(self) -> None:
        names = [f"p{number}" for number in range(len(self.ohm))]
        self.site = Site(*names, **self.settings)
        self.bus = Bus(self.ohm, self.segment_ohm)
        self.lost = [False] * len(names)
        self.peak_a = [0.0] * len(names)
        self.currents = [0.0] * len(names)
        for name, limit_a in zip(names, self.limit_a, strict=True):
            limit_ma = round(limit_a * 1_000)
            self.site.says(name, charge_current_limit_ma=limit_ma)
            self.site.says(name, discharge_current_limit_ma=limit_ma)

    @property
    def limit(self) -> float:
        """What the core allows in this direction [A]."""
        view = self.site.view
        allowed = view.charge_current_limit_ma if self.sign > 0 else view.discharge_current_limit_ma
        return allowed / 1_000

    def flows(self, total_a: float) -> None:
        """Let this total flow; the packs will report what it makes of them."""
        self.currents = self.bus.split(self.emf_v, total_a, self.lost, self.lost)
        for pack, ampere in enumerate(self.currents):
            self.site.says(f"p{pack}", current_ma=round(ampere * 1_000))
            self.peak_a[pack] = max(self.peak_a[pack], self.sign * ampere)

    def opens(self, pack: int) -> None:
        """A pack's board opens its paths, and says so with its next report."""
        self.lost[pack] = True
        self.site.says(f"p{pack}", charge_path_closed=False, discharge_path_closed=False)

    def runs(self, seconds: int, latency_s: int = 0) -> "Loop":
        """Let time pass; what flows follows the limit of `latency_s` ago."""
        told = [self.limit] * (latency_s + 1)
        for _ in range(seconds):
            self.flows(self.sign * min(told[-1 - latency_s], self.supply_a))
            self.site.runs(1)
            told.append(self.limit)
            self.most_a = max(self.most_a, self.limit)
        return self
