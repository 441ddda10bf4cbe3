"""What a person sees: tables and sentences in plain words, with %, A, V and times of day."""

from collections.abc import Iterable
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from adapters.cli import words
from aggregator import Cap

WIDTH = 100


def _amps(ma: int | None) -> str:
    return "unknown" if ma is None else f"{ma / 1_000:.1f} A"


def _volts(mv: int | None) -> str:
    return "unknown" if mv is None else f"{mv / 1_000:.2f} V"


def _percent(permille: int | None) -> str:
    return "unknown" if permille is None else f"{permille / 10:.0f} %"


def cap_value(cap: Cap, limit: str) -> str:
    """Return a cap's value with its unit."""
    return _volts(cap.value) if limit.endswith("voltage") else _amps(cap.value)


def _because(rule: str, pack: str | None) -> str:
    name = words.RULES[rule]
    return f"{name}: {pack}" if pack else name


def _table(*columns: str) -> Table:
    table = Table(box=SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for number, column in enumerate(columns):
        table.add_column(column, justify="left" if number == 0 else "right")
    return table


def bank_screen(view: dict[str, Any]) -> RenderableType:
    """Return one screen of the whole bank, from a view as plain values."""
    flow = view["current_ma"]
    heading = "charging" if flow > 0 else "discharging" if flow < 0 else "at rest"
    state = Text()
    state.append(f"{_volts(view['voltage_mv'])}   {_amps(flow)}   ", style="bold")
    power = view["power_w"]
    state.append(f"{heading}{'' if power is None else f' at {abs(power) / 1_000:.2f} kW'}\n")
    state.append(f"{_percent(view['soc_permille'])} full", style="bold")
    lowest, highest = view["soc_min_permille"], view["soc_max_permille"]
    if lowest is not None:
        state.append(f"   lowest pack {_percent(lowest)}, highest {_percent(highest)}")
    if view["partial"]:
        state.append("   (not every pack is counted)")
    stage = words.STAGES[view["stage"]]
    state.append(f"\n{stage}", style="bold")
    state.append(f" for {words.duration(view['stage_elapsed_ms'])}")
    if view["stage_ends"]:
        until = words.duration(view["stage_ends_ms"])
        state.append(f"   then: {words.TRANSITIONS[view['stage_ends']]}, in {until}")
    parts: list[RenderableType] = [state, _limits_table(view), packs_screen(view)]
    extremes = _extremes(view)
    if extremes:
        parts.append(Text(extremes))
    parts.extend(findings_lines(view["findings"]))
    return Group(*parts)


def _limits_table(view: dict[str, Any]) -> Table:
    table = _table("the bank may", "up to", "because of")
    table.columns[2].justify = "left"
    for limit, verb in (("charge", "charge"), ("discharge", "discharge")):
        current = view[f"{limit}_current_limit_ma"]
        shown = _amps(current) if view[f"{limit}_allowed"] else "not now"
        rule, pack = view[f"{limit}_current_rule"], view[f"{limit}_current_pack"]
        table.add_row(verb, shown, _because(rule, pack))
        volt = view[f"{limit}_voltage_limit_mv"]
        rule, pack = view[f"{limit}_voltage_rule"], view[f"{limit}_voltage_pack"]
        edge = "  not above" if limit == "charge" else "  not below"
        table.add_row(edge, _volts(volt), _because(rule, pack))
    return table


def _extremes(view: dict[str, Any]) -> str:
    if view["cell_max_mv"] is None:
        return ""
    high = f"highest cell {view['cell_max_mv'] / 1_000:.3f} V in {view['cell_max_pack']}"
    low = f"lowest {view['cell_min_mv'] / 1_000:.3f} V in {view['cell_min_pack']}"
    warm = ""
    if view["temperature_max_decic"] is not None:
        cold, hot = view["temperature_min_decic"] / 10, view["temperature_max_decic"] / 10
        warm = f"   {cold:.0f} to {hot:.0f} °C"
    alarms = view["protections"] + view["warnings"]
    said = "   packs say: " + ", ".join(a.replace("_", " ") for a in alarms) if alarms else ""
    return f"{high}, {low}{warm}{said}"


def packs_screen(view: dict[str, Any]) -> Table:
    """Return one line for each pack."""
    table = _table("pack", "is", "adds, charging", "discharging", "takes of extra", "")
    table.columns[1].justify = "left"
    table.columns[5].justify = "left"
    for row in view["packs"]:
        share = row["share_permille"]
        table.add_row(
            row["pack"],
            words.PRESENCE[row["presence"]],
            _amps(row["charge_contribution_ma"]),
            _amps(row["discharge_contribution_ma"]),
            "not known" if share is None else f"{share / 10:.0f} %",
            "" if row["why_ignored"] is None else words.why_ignored(row["why_ignored"]),
        )
    return table


def findings_lines(findings: Iterable[dict[str, Any]]) -> list[Text]:
    """Return a line for each finding."""
    lines = []
    for found in findings:
        who = f"{found['pack']}: " if found["pack"] else ""
        lines.append(Text(f"look at this: {who}{words.FINDINGS[found['name']]}"))
    return lines


def why_screen(limit: str, caps: list[Cap]) -> Table:
    """Return every cap on a limit, tightest first."""
    table = _table(words.LIMITS[limit], "because of", "pack", "rule")
    table.columns[0].justify = "right"
    for column in table.columns[1:]:
        column.justify = "left"
    for cap in caps:
        table.add_row(cap_value(cap, limit), words.RULES[cap.rule], cap.pack or "", cap.rule)
    return table
