"""The whole site, one step at a time: tell the chargers, let the current flow, read the boards."""

from random import Random

from .board import Board
from .bus import Bus
from .charger import Charger, Command
from .pack import Pack
from .reports import Reporter
from .scenario import DAY_S, Scenario
from .weather import Load, Sun


class World:
    """The truth about a simulated site. A, V and s; charge current positive."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        # A stream of random numbers for each part, so that changing one leaves the others alone.
        seed = scenario.seed
        self.packs = [Pack(m, Random(f"{seed} cells {m.pack}")) for m in scenario.packs]
        self.boards = [Board(m) for m in scenario.packs]
        self.reporters = [
            Reporter(m, Random(f"{seed} reports {m.pack}"), scenario.report_loss, scenario.faults)
            for m in scenario.packs
        ]
        self.bus = Bus([pack.ohm for pack in self.packs], scenario.ladder_ohm)
        self.chargers = [Charger(m) for m in (scenario.charger, *scenario.more_chargers)]
        self.sun = Sun(scenario.sun, Random(f"{seed} sun"))
        self.load = Load(scenario.load, Random(f"{seed} load"))
        self.now_s = 0.0  # since the start; the time of day is start_s later
        self.delivered: list[dict[str, object]] = []  # the last reports
        self.total_a = 0.0  # into all packs
        self.output_a = 0.0  # of all chargers
        self.sun_a = 0.0
        self.load_a = 0.0
        self.unserved_a = 0.0  # what the loads lack, when no pack can give

    def tell(self, command: Command) -> None:
        """Send the chargers a command, unless the gateway is silent."""
        if not self.acting("gateway_silent"):
            for charger in self.chargers:
                charger.tell(self.now_s, command)

    def acting(self, kind: str, pack: str | None = None) -> bool:
        """Does a fault of this kind act now?"""
        for fault in self.scenario.faults:
            if (
                fault.kind == kind
                and fault.start_s <= self.now_s < fault.stop_s
                and fault.pack == pack
            ):
                return True
        return False

    def step(self, dt_s: float = 1.0) -> None:
        """Let `dt_s` pass. 1 s is the step that was validated; above 10 s the knee is lost."""
        day_s = (self.scenario.start_s + self.now_s) % DAY_S
        self.sun_a = self.sun.amps(day_s, dt_s)
        self.load_a = self.load.amps(self.scenario.start_s + self.now_s, dt_s)
        emf_v = [pack.emf_v() for pack in self.packs]
        currents = self._flow(emf_v, *self.paths(), dt_s)
        self.now_s += dt_s
        for pack, board, amps in zip(self.packs, self.boards, currents, strict=True):
            pack.pass_current(amps, dt_s)
            board.look(pack, self.now_s, dt_s)

    def _flow(
        self,
        emf_v: list[float],
        charge_open: list[bool],
        discharge_open: list[bool],
        dt_s: float,
    ) -> list[float]:
        """Let chargers, loads and packs find their currents; return those of the packs."""
        ignores = self.acting("charger_ignores")
        for charger in self.chargers:
            charger.output_a = charger.want_a(self.now_s, dt_s, self.sun_a, self.load_a, ignores)
        total_a = sum([charger.output_a for charger in self.chargers]) - self.load_a
        currents = self.bus.split(emf_v, total_a, charge_open, discharge_open)
        # Where the bus would go too high, the charger with the least voltage gives way first.
        for charger in sorted(self.chargers, key=lambda one: one.obeyed.volt):
            drop_ohm = charger.model.drop_ohm
            if self.bus.volt + drop_ohm * charger.output_a <= charger.obeyed.volt:
                continue
            beside_a = total_a - charger.output_a
            held_a = self.bus.hold_a(
                emf_v, charger.obeyed.volt, charge_open, discharge_open, beside_a, drop_ohm
            )
            charger.output_a = min(charger.output_a, max(0.0, held_a))
            total_a = beside_a + charger.output_a
            currents = self.bus.split(emf_v, total_a, charge_open, discharge_open)
        self.output_a = total_a + self.load_a
        self.total_a = sum(currents)
        self.unserved_a = max(0.0, self.total_a - total_a)
        return currents

    def paths(self) -> tuple[list[bool], list[bool]]:
        """Return which charge paths and which discharge paths are open."""
        if self.scenario.faults:
            for board in self.boards:
                both = self.acting("opens", board.model.pack)
                board.discharge.forced = both
                board.charge.forced = both or self.acting("opens_charge", board.model.pack)
        return [b.charge_open for b in self.boards], [b.discharge_open for b in self.boards]

    def reports(self) -> list[dict[str, object]]:
        """Return the reports that arrive now. To be called once a step."""
        found = []
        for reporter, pack, board in zip(self.reporters, self.packs, self.boards, strict=True):
            report = reporter.due(self.now_s, pack, board)
            if report is not None:
                found.append(report)
        self.delivered = found
        return found

    def all_knowing_a(
        self,
        sign: int = 1,
        taper_v: tuple[float, float] | None = None,
        volt_limit_v: float | None = None,
    ) -> float:
        """Return the largest total [A] that keeps every pack within its own true limit, now.

        `taper_v`: a pack is given less as its highest cell rises from the first to the second
        voltage; a policy, that a limiter has to share to be compared. `volt_limit_v`: the bus
        voltage that must not be passed, either.
        """
        emf_v = [pack.emf_v() for pack in self.packs]
        charge_open, discharge_open = self.paths()
        limits = [b.charge_limit_a if sign > 0 else b.discharge_limit_a for b in self.boards]
        if taper_v is not None:
            low, high = taper_v
            for i, pack in enumerate(self.packs):
                limits[i] *= min(1.0, max(0.0, (high - pack.high_v) / (high - low)))
        volt = self.bus.volt
        most = self.bus.most_a(emf_v, limits, charge_open, discharge_open, sign, volt_limit_v)
        self.bus.volt = volt
        return max(0.0, most)

    def plain_sum_a(self, sign: int = 1) -> float:
        """Return the plain sum of the limits of the boards that permit this direction."""
        if sign > 0:
            return sum(b.charge_limit_a for b in self.boards if not b.charge_open)
        return sum(b.discharge_limit_a for b in self.boards if not b.discharge_open)
