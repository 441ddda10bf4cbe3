"""A small simulated site for tests: two packs, noon, no noise. All of it invented."""

from conformance.plant.charger import Command
from conformance.plant.scenario import (
    HOUR_S,
    ChargerModel,
    Fault,
    LoadModel,
    PackModel,
    Scenario,
    SunModel,
)
from conformance.plant.world import World

Reports = list[dict[str, object]]
NAMES = ("oak", "fir")


def site(
    faults: list[Fault] | None = None, charger: ChargerModel | None = None, **pack: object
) -> World:
    """Return two packs at noon with 200 A of sun and 10 A of load, without noise or loss."""
    fields: dict[str, object] = {"charge": 0.6, "current_noise_a": 0.0, **pack}
    packs = [PackModel(pack=name, **fields) for name in NAMES]  # type: ignore[arg-type]
    return World(
        Scenario(
            packs=packs,
            charger=charger or ChargerModel(latency_s=2.0),
            sun=SunModel(peak_a=200.0),
            load=LoadModel(base_a=10.0, base_swing_a=0.0, steps_per_h=0.0),
            faults=faults or [],
            start_s=12 * HOUR_S,
        )
    )


def runs(world: World, seconds: int, charge_a: float = 100.0, volt: float = 55.2) -> Reports:
    """Let a command and the seconds pass; return the reports that arrived."""
    found: Reports = []
    for _ in range(seconds):
        world.tell(Command(charge_a, volt, True))
        world.step()
        found += world.reports()
    return found


def of(reports: Reports, pack: str, name: str) -> list[object]:
    """Return what one pack said of one thing."""
    return [report[name] for report in reports if report["pack"] == pack]


def fault(kind: str, start_s: float, stop_s: float, value: float = 0.0) -> Fault:
    """A fault of the first pack, or of the site."""
    of_site = kind in ("charger_ignores", "gateway_silent")
    pack = None if of_site else "oak"
    return Fault(kind=kind, start_s=start_s, stop_s=stop_s, pack=pack, value=value)
