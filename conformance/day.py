"""One simulated day: the plant's packs report, the aggregator limits, the plant's chargers obey.

The same day can be run with two other limiters, for comparison: the plain sum of the boards' own
limits, and an all-knowing one that sees every true current, resistance and limit.
"""

from collections.abc import Callable

from attrs import define, field

from aggregator import Aggregator, BankSettings, PackReport, PackSettings, SystemView
from aggregator.settings import CHARGE_CELLS
from conformance.plant.charger import Command
from conformance.plant.scenario import Scenario
from conformance.plant.world import World

HEADROOM = "headroom"
PLAIN_SUM = "plain_sum"
ALL_KNOWING = "all_knowing"
LIMITERS = (HEADROOM, PLAIN_SUM, ALL_KNOWING)
LIMIT_NAMES = ("charge_current", "discharge_current", "charge_voltage", "discharge_voltage")
TOP_CELL_V = 3.40  # the spread of the cells is looked at above this
SMALL_A = 5.0  # a limit this small is not what a percentage of it should be taken of


@define
class PackDay:
    """What one pack went through. Percentages are of its own true limit at that moment."""

    pack: str
    peak_charge_a: float = 0.0
    peak_charge_percent: float = 0.0
    peak_discharge_a: float = 0.0
    peak_discharge_percent: float = 0.0
    seconds_over: dict[int, float] = field(factory=lambda: {100: 0.0, 102: 0.0, 110: 0.0})
    trips: list[tuple[float, str]] = field(factory=list)
    charge_at_end: float = 0.0
    counted_at_end: float = 0.0
    spread_at_top_mv: float = 0.0
    highest_cell_v: float = 0.0


@define
class DayResult:
    """What the bank went through. Times in s, energy in kWh at the bus."""

    limiter: str
    packs: list[PackDay]
    charged_kwh: float = 0.0
    discharged_kwh: float = 0.0
    denied_s: dict[str, float] = field(factory=lambda: {"charge": 0.0, "discharge": 0.0})
    binding_s: dict[str, dict[str, float]] = field(factory=dict)
    stage_s: dict[str, float] = field(factory=dict)
    stage_log: list[tuple[float, str]] = field(factory=list)
    findings: dict[tuple[str, str | None], list[float]] = field(factory=dict)  # first, lasted
    refused: int = 0
    net_kwh: list[float] = field(factory=list)  # into the packs since the start, every minute

    def trips(self) -> int:
        """How often boards had to protect their packs."""
        return sum(len(one.trips) for one in self.packs)

    def worst_percent(self) -> float:
        """The highest charge current of any pack, in percent of its own limit then."""
        return max(one.peak_charge_percent for one in self.packs)


def energy_fraction(result: DayResult, yardstick: DayResult) -> float:
    """Return the most net energy a day put into the packs, as a fraction of the yardstick's."""
    return max(result.net_kwh) / max(yardstick.net_kwh)


def bulk_fraction(result: DayResult, yardstick: DayResult) -> float:
    """Return the same at the moment when the yardstick first left bulk: a harder question, since
    a limiter that is slow in the morning may well be full by the evening."""
    minute = len(yardstick.net_kwh) - 1
    for at_s, stage in yardstick.stage_log:
        if stage == "absorption":
            minute = min(minute, int(at_s // 60))
            break
    return result.net_kwh[minute] / yardstick.net_kwh[minute]


def settings_for(scenario: Scenario, **changes: object) -> BankSettings:
    """Return plain settings for a scenario, as its installer would choose them."""
    packs = [
        PackSettings(
            model.pack,
            capacity_mah=round(model.capacity_ah * 1_000),
            opens_path_on_refusal=not model.says_path,
        )
        for model in scenario.packs
    ]
    slowest_ms = round(max(model.report_s for model in scenario.packs) * 1_000)
    fresh_ms = max(10_000, 3 * slowest_ms)
    choices: dict[str, object] = {
        "fresh_ms": fresh_ms,
        "unheard_ms": 3 * fresh_ms,
        "charger_limits": scenario.charger.limits,
    }
    choices.update(changes)
    return BankSettings(packs, **choices)  # type: ignore[arg-type]  # checked inside


Observer = Callable[[World, Aggregator, SystemView], None]


def day(
    scenario: Scenario,
    settings: BankSettings | None = None,
    limiter: str = HEADROOM,
    observer: Observer | None = None,
    step_s: float = 1.0,
) -> DayResult:
    """Run a day and return what happened. `observer` sees every step. Deterministic by seed."""
    world = World(scenario)
    bank = Aggregator(settings_for(scenario) if settings is None else settings)
    result = DayResult(limiter, [PackDay(model.pack) for model in scenario.packs])
    for _ in range(round(scenario.duration_s / step_s)):
        world.step(step_s)
        now_ms = round(world.now_s * 1_000)
        for fields in world.reports():
            bank.accept(PackReport(**fields), now_ms)  # type: ignore[arg-type]  # plain fields
        view = bank.step(now_ms)
        world.tell(_command(world, view, limiter))
        _watch(result, world, view, step_s)
        if observer is not None:
            observer(world, bank, view)
    for one, pack, board in zip(result.packs, world.packs, world.boards, strict=True):
        one.trips = board.trips
        one.charge_at_end = pack.mean_charge()
        one.counted_at_end = board.counted
    result.refused = view.rejected
    return result


def _command(world: World, view: SystemView, limiter: str) -> Command:
    """What the chargers are told. The other limiters get the same stages, but their own current."""
    volt = view.charge_voltage_limit_mv / 1_000
    if limiter == PLAIN_SUM:
        return Command(world.plain_sum_a(), _stage_volt(world, view), True)
    if limiter == ALL_KNOWING:
        taper_v = (CHARGE_CELLS[0][0] / 1_000, CHARGE_CELLS[1][0] / 1_000)
        return Command(world.all_knowing_a(taper_v=taper_v), volt, True)
    return Command(view.charge_current_limit_ma / 1_000, volt, view.charge_allowed)


def _stage_volt(world: World, view: SystemView) -> float:
    """A gateway that adds up limits takes the least voltage limit, and the stage's target."""
    stage_v = 53.6 if view.stage == "float" else 55.2
    return min([stage_v, *(board.model.voltage_limit_v for board in world.boards)])


def _watch(result: DayResult, world: World, view: SystemView, dt_s: float) -> None:
    power_w = world.total_a * world.bus.volt
    if power_w > 0:
        result.charged_kwh += power_w * dt_s / 3.6e6
    else:
        result.discharged_kwh -= power_w * dt_s / 3.6e6
    if world.now_s % 60 < dt_s:
        result.net_kwh.append(result.charged_kwh - result.discharged_kwh)
    for one, pack, board in zip(result.packs, world.packs, world.boards, strict=True):
        _watch_pack(one, pack.current_a, board.charge_limit_a, board.discharge_limit_a, dt_s)
        if pack.high_v > one.highest_cell_v:
            one.highest_cell_v = pack.high_v
        if pack.high_v > TOP_CELL_V:
            one.spread_at_top_mv = max(one.spread_at_top_mv, (pack.high_v - pack.low_v) * 1_000)
    if not view.charge_allowed:
        result.denied_s["charge"] += dt_s
    if not view.discharge_allowed:
        result.denied_s["discharge"] += dt_s
    for name in LIMIT_NAMES:
        rule = getattr(view, name + "_rule")
        bound = result.binding_s.setdefault(name, {})
        bound[rule] = bound.get(rule, 0.0) + dt_s
    result.stage_s[view.stage] = result.stage_s.get(view.stage, 0.0) + dt_s
    if not result.stage_log or result.stage_log[-1][1] != view.stage:
        result.stage_log.append((world.now_s, view.stage))
    for found in view.findings:
        first_lasted = result.findings.setdefault((found.name, found.pack), [world.now_s, 0.0])
        first_lasted[1] += dt_s


def _watch_pack(
    one: PackDay, amps: float, charge_limit_a: float, discharge_limit_a: float, dt_s: float
) -> None:
    if amps > 0:
        one.peak_charge_a = max(one.peak_charge_a, amps)
        percent = 100 * amps / max(charge_limit_a, SMALL_A)
        one.peak_charge_percent = max(one.peak_charge_percent, percent)
        for level in one.seconds_over:
            if percent > level:
                one.seconds_over[level] += dt_s
    else:
        one.peak_discharge_a = max(one.peak_discharge_a, -amps)
        percent = -100 * amps / max(discharge_limit_a, SMALL_A)
        one.peak_discharge_percent = max(one.peak_discharge_percent, percent)
