"""A simulated day on one screen, alone or beside the same day under other limiters."""

from collections.abc import Callable

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from adapters import words
from adapters.cli.screens import WIDTH, table
from conformance.day import (
    ALL_KNOWING,
    HEADROOM,
    LIMIT_NAMES,
    PLAIN_SUM,
    DayResult,
    PackDay,
    bulk_fraction,
    energy_fraction,
)
from conformance.plant.scenario import Scenario

MOST_CAPS = 4  # of those that bound longest
SHORTEST_STAGE_S = 60  # a shorter one is not worth a word

LIMITERS = {HEADROOM: "room left", PLAIN_SUM: "summed limits", ALL_KNOWING: "all-knowing"}


def day_screen(scenario: Scenario, result: DayResult, width: int = WIDTH) -> RenderableType:
    """Return the summary of a day, for a screen of so many columns."""
    count = words.counted(len(scenario.packs), "pack")
    head = f"{scenario.title}: {count}, {_lasted(scenario.duration_s)}, seed {scenario.seed}"
    columns = [column for column in COLUMNS if width >= column[2]]
    packs = table("pack", *(header for header, _, _ in columns))
    for one in result.packs:
        packs.add_row(one.pack, *(of(one) for _, of, _ in columns))
    return Group(
        Text(head, style="bold"), packs, _facts(scenario, result), _findings(scenario, result)
    )


# What is told of each pack: header, text, and how wide a screen must be to have room for it.
COLUMNS: tuple[tuple[str, Callable[[PackDay], str], int], ...] = (
    ("most\nin", lambda one: f"{one.peak_charge_a:.0f} A", 0),
    ("of its\nlimit", lambda one: f"{one.peak_charge_percent:.0f} %", 0),
    ("time\nover", lambda one: f"{one.seconds_over[100]:.0f} s", 0),
    ("most\nout", lambda one: f"{one.peak_discharge_a:.0f} A", WIDTH),
    ("of its\nlimit", lambda one: f"{one.peak_discharge_percent:.0f} %", WIDTH),
    ("full at\nthe end", lambda one: f"{100 * one.charge_at_end:.0f} %", 0),
    ("counter\nsays", lambda one: f"{100 * one.counted_at_end:.0f} %", 0),
    ("highest\ncell", lambda one: f"{one.highest_cell_v:.3f} V", 0),
    ("cells\napart", lambda one: _apart(one), 0),
    ("board\ntripped", lambda one: _times(len(one.trips)), 0),
)


def _apart(one: PackDay) -> str:
    return f"{one.spread_at_top_mv:.0f} mV" if one.spread_at_top_mv else "-"


def _times(count: int) -> str:
    return "never" if count == 0 else "once" if count == 1 else f"{count} times"


def _facts(scenario: Scenario, result: DayResult) -> Table:
    """Return name and text, side by side, the text with a hanging indent."""
    made = Table.grid(padding=(0, 2))
    made.add_column(no_wrap=True)
    made.add_column()
    made.add_row("energy", f"{result.charged_kwh:.1f} kWh in, {result.discharged_kwh:.1f} kWh out")
    stages = _stages(scenario, result)
    if stages:
        made.add_row("stages", stages)
    for way in ("charge", "discharge"):
        if result.denied_s[way]:
            made.add_row(f"no {way}", f"limit at 0 for {_lasted(result.denied_s[way])} in all")
    made.add_row("", "")
    made.add_row("limit", "held by, longest first")
    for limit in LIMIT_NAMES:
        made.add_row(words.LIMITS[limit], _bound(result, limit))
    return made


def _lasted(seconds: float) -> str:
    return words.duration(round(seconds * 1_000))


def _stages(scenario: Scenario, result: DayResult) -> str:
    parts = []
    ends_s = [at_s for at_s, _ in result.stage_log[1:]] + [scenario.duration_s]
    for (at_s, stage), end_s in zip(result.stage_log, ends_s, strict=True):
        if end_s - at_s >= SHORTEST_STAGE_S:
            start, end = words.clock(scenario.start_s + at_s), words.clock(scenario.start_s + end_s)
            parts.append(f"{words.STAGES[stage]} {start}-{end}")
    return ", ".join(parts)


def _bound(result: DayResult, limit: str) -> str:
    ranked = sorted(result.binding_s[limit].items(), key=lambda item: -item[1])
    return ", ".join(f"{words.RULES[rule]} {_lasted(s)}" for rule, s in ranked[:MOST_CAPS])


def _findings(scenario: Scenario, result: DayResult) -> RenderableType:
    if not result.findings:
        return Text("")
    made = table("found at", "lasted", "what", left=(0, 2))
    for (name, pack), (first_s, lasted_s) in result.findings.items():
        who = f"{pack}: " if pack else ""
        when = words.clock(scenario.start_s + first_s)
        made.add_row(when, _lasted(lasted_s), f"{who}{words.FINDINGS[name]}")
    return made


# What is compared: words, what it is of a day, how it is shown.
Row = tuple[str, Callable[[DayResult], float], str]
ROWS: tuple[Row, ...] = (
    ("boards that had to protect their packs", lambda day: day.trips(), "{:.0f} times"),
    ("worst pack, of its own charge limit", lambda day: day.worst_percent(), "{:.0f} %"),
    ("packs above their own limit, in all", lambda day: _over(day, 100), "{:.0f} s"),
    ("packs above 110 % of it, in all", lambda day: _over(day, 110), "{:.0f} s"),
    ("highest cell", lambda day: max(one.highest_cell_v for one in day.packs), "{:.3f} V"),
    ("energy in, at the fullest moment", lambda day: max(day.net_kwh), "{:.2f} kWh"),
)
FRACTIONS = (
    ("that energy, of the all-knowing limiter's", energy_fraction),
    ("likewise at the end of its bulk", bulk_fraction),
)


def comparison_screen(results: list[DayResult]) -> RenderableType:
    """Return the same day under several limiters: what the headroom rule prevents, and costs."""
    made = table("the same day, limited by", *(LIMITERS[day.limiter] for day in results))
    for name, of, form in ROWS:
        made.add_row(name, *(form.format(of(day)) for day in results))
    for yardstick in results:
        if yardstick.limiter == ALL_KNOWING and max(yardstick.net_kwh) > 0:
            for name, fraction in FRACTIONS:
                parts = [f"{100 * fraction(day, yardstick):.1f} %" for day in results]
                made.add_row(name, *parts)
    return made


def _over(result: DayResult, percent: int) -> float:
    return sum(one.seconds_over[percent] for one in result.packs)
