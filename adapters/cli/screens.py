"""What a person sees: tables and sentences in plain words, with %, A, V and times of day."""

from collections.abc import Iterable
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console, Group, JustifyMethod, RenderableType
from rich.table import Table
from rich.text import Text

from adapters import words
from aggregator import Cap
from aggregator.presence import SILENT

WIDTH = 100
WORD = 9  # letters of the longest word that should not be broken
Reading = dict[str, Any]


def console() -> Console:
    """Return the console for standard output: at most WIDTH columns, fewer on a small terminal."""
    made = Console(highlight=False)
    made.width = min(WIDTH, made.width) if made.is_terminal else WIDTH
    return made


def amps(ma: int | None) -> str:
    """Return a current, or a limit of one, with its unit."""
    return "unknown" if ma is None else f"{ma / 1_000:.1f} A"


def volts(mv: int | None, digits: int = 2) -> str:
    """Return a voltage with its unit."""
    return "unknown" if mv is None else f"{mv / 1_000:.{digits}f} V"


def percent(permille: int | None) -> str:
    """Return a part of a whole, rounded down: 100 % is only what is full."""
    return "unknown" if permille is None else f"{permille // 10} %"


def flow(ma: int | None) -> str:
    """Return a current with its direction, as the packs see it."""
    if ma is None:
        return "unknown"
    way = " in" if ma > 0 else " out" if ma < 0 else ""
    return f"{abs(ma) / 1_000:.1f} A{way}"


def cap_value(cap: Cap, limit: str) -> str:
    """Return a cap's value with its unit."""
    return volts(cap.value) if limit.endswith("voltage") else amps(cap.value)


def _because(rule: str, pack: str | None) -> str:
    name = words.RULES[rule]
    return f"{name}: {pack}" if pack else name


def table(*columns: str, left: tuple[int, ...] = (0,)) -> Table:
    """Return an empty table; numbers stand to the right, the columns in `left` to the left."""
    made = Table(box=SIMPLE_HEAD, pad_edge=False, header_style="bold", padding=(0, 1, 0, 0))
    for number, column in enumerate(columns):
        justify: JustifyMethod = "left" if number in left else "right"
        if number in left[1:]:
            made.add_column(column, justify=justify, overflow="fold", min_width=WORD)
        else:
            made.add_column(column, justify=justify, no_wrap=True)
    return made


def bank_screen(view: Reading, readings: dict[str, Reading], now_ms: int) -> RenderableType:
    """Return one screen of the whole bank: a view, and each pack's last report, as plain values."""
    parts: list[RenderableType] = [_state(view, now_ms), _limits_table(view)]
    parts.append(packs_screen(view, readings))
    parts += [Text(line) for line in (_cells(view), _warmth(view), _alarms(view)) if line]
    parts += findings_lines(view["findings"])
    return Group(*parts)


def _state(view: Reading, now_ms: int) -> Text:
    state = Text(f"The bank at {words.clock_s(now_ms // 1_000)}\n")
    voltage, current = view["voltage_mv"], view["current_ma"]
    state.append("voltage unknown" if voltage is None else volts(voltage), style="bold")
    state.append(f"   {'current unknown' if current is None else flow(current)}", style="bold")
    if view["power_w"] is not None:
        state.append(f"   {abs(view['power_w']) / 1_000:.2f} kW")
    soc = view["soc_permille"]
    state.append("\ncharge unknown" if soc is None else f"\n{percent(soc)} full", style="bold")
    lowest, highest = view["soc_min_permille"], view["soc_max_permille"]
    if lowest is not None:
        state.append(f"   lowest pack {percent(lowest)}, highest {percent(highest)}")
    if view["remaining_mah"] is not None:
        left, whole = view["remaining_mah"] // 1_000, view["capacity_mah"] // 1_000
        state.append(f"   {left} of {whole} Ah")
    if view["partial"]:
        state.append("   (not every pack is counted)")
    state.append(f"\n{words.STAGES[view['stage']]}", style="bold")
    state.append(f" for {words.duration(view['stage_elapsed_ms'])}")
    if view["stage_ends"]:
        until = words.duration(view["stage_ends_ms"])
        state.append(f"   then: {words.TRANSITIONS[view['stage_ends']]}, in {until}")
    return state


def _limits_table(view: Reading) -> Table:
    made = table("the bank may", "up to", "because of", left=(0, 2))
    for way, edge in (("charge", "not above"), ("discharge", "not below")):
        current = view[f"{way}_current_limit_ma"]
        shown = amps(current) if view[f"{way}_allowed"] else "not now"
        reason = _because(view[f"{way}_current_rule"], view[f"{way}_current_pack"])
        made.add_row(way, shown, reason)
        reason = _because(view[f"{way}_voltage_rule"], view[f"{way}_voltage_pack"])
        made.add_row(f"  {edge}", volts(view[f"{way}_voltage_limit_mv"]), reason)
    return made


def _cells(view: Reading) -> str:
    ends = []
    for end, name in (("max", "highest cell"), ("min", "lowest cell")):
        if view[f"cell_{end}_mv"] is not None:
            number = view[f"cell_{end}_no"]
            which = f" no. {number}" if number else ""
            where = f"in {view[f'cell_{end}_pack']}{which}"
            ends.append(f"{name} {volts(view[f'cell_{end}_mv'], 3)} {where}")
    return ", ".join(ends)


def _warmth(view: Reading) -> str:
    ends = []
    for end, name in (("min", "coldest"), ("max", "hottest")):
        if view[f"temperature_{end}_decic"] is not None:
            degrees = view[f"temperature_{end}_decic"] / 10
            ends.append(f"{name} {degrees:.1f} °C in {view[f'temperature_{end}_pack']}")
    return ", ".join(ends)


def _alarms(view: Reading) -> str:
    """What the boards themselves say."""
    said = []
    for kind, verb in (("protections", "protect against"), ("warnings", "warn of")):
        if view[kind]:
            said.append(f"{verb} {', '.join(name.replace('_', ' ') for name in view[kind])}")
    return f"the packs' boards {'; '.join(said)}" if said else ""


def packs_screen(view: Reading, readings: dict[str, Reading]) -> Table:
    """Return one line for each pack."""
    made = table(
        "pack", "is", "voltage", "current", "full", "may\ntake", "may\ngive", "share of\nextra",
        left=(0, 1),
    )  # fmt: skip
    for row in view["packs"]:
        reading = readings.get(row["pack"], {})
        form = "{}" if row["presence"] == "live" or not reading else "({})"  # its last word
        share = row["share_permille"]
        made.add_row(
            row["pack"],
            _presence(row),
            form.format(volts(reading.get("voltage_mv"))),
            form.format(flow(reading.get("current_ma"))),
            form.format(percent(reading.get("soc_permille"))),
            amps(row["charge_contribution_ma"]),
            amps(row["discharge_contribution_ma"]),
            "-" if share is None else f"{share / 10:.0f} %",
        )
    return made


def _presence(row: Reading) -> str:
    """Is the pack there, and if it is left out, why?"""
    why = row["why_ignored"]
    is_there = words.PRESENCE[row["presence"]]
    # That it is silent, its presence says already.
    return is_there if why in (None, SILENT) else f"{is_there}: {words.why_ignored(why)}"


def findings_lines(findings: Iterable[dict[str, Any]]) -> list[Text]:
    """Return a line for each finding."""
    lines = []
    for found in findings:
        who = f"{found['pack']}: " if found["pack"] else ""
        lines.append(Text(f"look at this: {who}{words.FINDINGS[found['name']]}"))
    return lines


def why_screen(limit: str, caps: list[Cap]) -> Table:
    """Return every cap on a limit, tightest first."""
    made = table(words.LIMITS[limit], "because of", "pack", "rule", left=(1, 2, 3))
    for cap in caps:
        made.add_row(cap_value(cap, limit), words.RULES[cap.rule], cap.pack or "", cap.rule)
    return made
