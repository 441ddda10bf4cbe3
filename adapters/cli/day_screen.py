"""A simulated day on one screen, alone or beside the same day on summed limits."""

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from adapters.cli import words
from adapters.cli.screens import table
from conformance.day import DayResult
from conformance.plant.scenario import Scenario

MOST_CAPS = 4  # of those that bound longest


def day_screen(scenario: Scenario, result: DayResult) -> RenderableType:
    """Return the summary of a day."""
    count = len(scenario.packs)
    hours = scenario.duration_s / 3_600
    head = Text(f"{scenario.title}: {count} packs, {hours:.0f} h", style="bold")
    return Group(
        head,
        _packs(result),
        Text(_energy(result)),
        Text(f"Stages: {_stages(scenario, result)}"),
        Text(f"What held the charge current: {_bound(scenario, result, 'charge_current')}"),
        Text(f"What held the charge voltage: {_bound(scenario, result, 'charge_voltage')}"),
        *_findings(scenario, result),
    )


def _packs(result: DayResult) -> Table:
    made = table(
        "pack", "most\nin", "of its\nlimit", "time\nover it", "most\nout", "charge\nat the end",
        "its counter\nsays", "highest\ncell", "cells apart\nat the top", "protected\nitself",
    )  # fmt: skip
    for one in result.packs:
        made.add_row(
            one.pack,
            f"{one.peak_charge_a:.0f} A",
            f"{one.peak_charge_percent:.0f} %",
            f"{one.seconds_over[100]:.0f} s",
            f"{one.peak_discharge_a:.0f} A",
            f"{100 * one.charge_at_end:.0f} %",
            f"{100 * one.counted_at_end:.0f} %",
            f"{one.highest_cell_v:.3f} V",
            f"{one.spread_at_top_mv:.0f} mV" if one.spread_at_top_mv else "-",
            f"{len(one.trips)} times" if one.trips else "never",
        )
    return made


def _energy(result: DayResult) -> str:
    denied = result.denied_s
    return (
        f"Into the bank {result.charged_kwh:.1f} kWh, out of it {result.discharged_kwh:.1f} kWh."
        f" Limit at 0: charge {words.duration(round(denied['charge'] * 1_000))},"
        f" discharge {words.duration(round(denied['discharge'] * 1_000))}."
    )


def _stages(scenario: Scenario, result: DayResult) -> str:
    log = result.stage_log
    parts = []
    for number, (at_s, stage) in enumerate(log):
        end_s = log[number + 1][0] if number + 1 < len(log) else scenario.duration_s
        if end_s - at_s < 60:
            continue
        start, end = words.clock(scenario.start_s + at_s), words.clock(scenario.start_s + end_s)
        parts.append(f"{words.STAGES[stage]} {start}-{end}")
    return ", ".join(parts)


def _bound(scenario: Scenario, result: DayResult, limit: str) -> str:
    ranked = sorted(result.binding_s[limit].items(), key=lambda item: -item[1])
    return ", ".join(
        f"{words.RULES[rule]} {words.duration(round(seconds * 1_000))}"
        for rule, seconds in ranked[:MOST_CAPS]
    )


def _findings(scenario: Scenario, result: DayResult) -> list[Text]:
    lines = []
    for (name, pack), (first_s, lasted_s) in result.findings.items():
        who = f"{pack}: " if pack else ""
        when = words.clock(scenario.start_s + first_s)
        lasted = words.duration(round(lasted_s * 1_000))
        lines.append(Text(f"Found at {when}, for {lasted}: {who}{words.FINDINGS[name]}"))
    return lines


def comparison_screen(ours: DayResult, summed: DayResult) -> RenderableType:
    """Return what the headroom rule prevents, and what it costs, beside the plain sum."""
    made = table("the same day", "by the room left", "by summed limits")
    rows = (
        ("boards that had to protect themselves", ours.trips(), summed.trips(), "{} times"),
        ("worst pack, of its own limit", ours.worst_percent(), summed.worst_percent(), "{:.0f} %"),
        ("seconds above a pack's own limit", _over(ours), _over(summed), "{:.0f} s"),
        ("highest cell", _top(ours), _top(summed), "{:.3f} V"),
        ("most energy in the packs", max(ours.net_kwh), max(summed.net_kwh), "{:.2f} kWh"),
    )
    for name, left, right, form in rows:
        made.add_row(name, form.format(left), form.format(right))
    return made


def _over(result: DayResult) -> float:
    return sum(one.seconds_over[100] for one in result.packs)


def _top(result: DayResult) -> float:
    return max(one.highest_cell_v for one in result.packs)
