"""The reference pages, printed from the core's tables: `python -m tests.pages` writes them.

A row's documentation is the comment that stands beside or above it in the source, a rule's is its
docstring, so that there is one place to change. tests/unit/test_pages.py checks that the pages in
docs/reference/ are what this prints today.
"""

import argparse
import inspect
import re
from pathlib import Path
from types import ModuleType

from adapters.cli.main import parser
from aggregator import (
    BankSettings,
    PackSettings,
    StageSettings,
    cycle,
    fields,
    findings,
    ranges,
    report,
    requests,
    rows,
    rules,
    stages,
)
from aggregator.report import ALARMS
from conformance import device
from conformance.requirements import AREAS, REQUIREMENTS
from tests.links_page import sections

FOLDER = Path(__file__).parent.parent / "docs" / "reference"
PRINTED = "Printed from {} by `python -m tests.pages`; do not edit.\n"


def comments(module: ModuleType, table: str) -> dict[str, str]:
    """Return {first text of a row: its comment} for a table in a module's source."""
    lines = inspect.getsource(module).splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith(table + " = ("))
    found: dict[str, str] = {}
    above: list[str] = []
    for line in lines[start + 1 :]:
        if line.startswith(")"):
            break
        text = line.strip()
        if text.startswith("#"):
            above.append(text.lstrip("# "))
            continue
        name = re.search(r'"([^"]+)"', text)
        beside = re.search(r"#\s*(.+)$", text)
        if name and name[1] not in found:
            found[name[1]] = beside[1] if beside else " ".join(above)
        elif beside and not name:
            last = list(found)[-1]
            found[last] = beside[1]
        if text.endswith((",", "),")) or beside:
            above = []
    return found


def sentence(function: object) -> str:
    """Return a docstring as one line."""
    return " ".join((inspect.getdoc(function) or "").split())


def table(header: tuple[str, ...], body: list[tuple[object, ...]]) -> str:
    """Return a Markdown table."""
    lines = ["| " + " | ".join(header) + " |", "|" + " --- |" * len(header)]
    lines.extend("| " + " | ".join(str(cell) for cell in row) + " |" for row in body)
    return "\n".join(lines) + "\n"


def _number(value: object) -> str:
    return f"{value:,}".replace(",", " ") if type(value) is int else str(value)


def _split(comment: str) -> tuple[str, str]:
    meaning, _, trade = comment.partition(" | ")
    return meaning, trade


def fields_page() -> str:
    """Return docs/reference/fields.md."""
    parts = ["# Fields\n", PRINTED.format("aggregator/report.py and fields.py")]
    parts.append(
        "\nEvery field but `pack` and `sample` may be unknown: `None` in Python, `null` or absent in"
        " JSON. Charge current is positive. Units are the last word of a name: `_mv` `_ma` `_mah`"
        " `_w` `_ms` `_permille` `_decic` (0.1 °C).\n"
    )
    ints = comments(report, "REPORT_INTS")
    parts.append("\n## PackReport\n")
    body: list[tuple[object, ...]] = [("`pack`", "1..16 of a-z 0-9 -", "the pack's name")]
    body += [(f"`{n}`", f"{_number(a)} .. {_number(b)}", ints[n]) for n, a, b in report.REPORT_INTS]
    flags = comments(report, "REPORT_FLAGS")
    body += [(f"`{name}`", "true, false", flags[name]) for name in report.REPORT_FLAGS]
    lists = comments(report, "REPORT_LISTS")
    body += [
        (f"`{n}`", f"list of {_number(a)} .. {_number(b)}",
         f"{lists[n]}; `{low}` and `{high}` are taken from it where they are unknown")
        for n, a, b, low, high in report.REPORT_LISTS
    ]  # fmt: skip
    body += [
        (f"`{n}`", "set of alarms", f"{n} the board shows") for n in ("warnings", "protections")
    ]
    parts.append(table(("field", "range", "meaning"), body))
    parts.append("\nAlarms: " + ", ".join(f"`{name}`" for name in ALARMS) + ".\n")
    parts.append("\n## BusReport\n")
    bus = comments(report, "BUS_INTS")
    parts.append(table(("field", "range", "meaning"), [
        (f"`{n}`", f"{_number(a)} .. {_number(b)}", bus[n]) for n, a, b in report.BUS_INTS
    ]))  # fmt: skip
    for heading, names in (("SystemView", "VIEW_FIELDS"), ("PackRow", "ROW_FIELDS")):
        told = comments(fields, names)
        parts.append(f"\n## {heading}\n")
        parts.append(table(("field", "meaning"), [
            (f"`{name}`", told[name] or "likewise") for name in getattr(fields, names)
        ]))  # fmt: skip
    parts.append("\n`packs` is a list of PackRow, `findings` a list of (name, pack).\n")
    return "".join(parts)


def rules_page() -> str:
    """Return docs/reference/rules.md."""
    parts = ["# Rules\n", PRINTED.format("aggregator/rules.py")]
    parts.append(
        "\nA limit is the smallest of these (for the discharge voltage: the largest). At a tie the"
        " earlier row is named. A denial with the value 0 also pauses the daily charge and starts"
        " the re-enable dwell.\n"
    )
    for heading, rows_of in (
        ("Currents, charge and discharge", rules.CURRENT_RULES),
        ("Voltages, charge and discharge", rules.VOLTAGE_RULES),
    ):
        parts.append(f"\n## {heading}\n")
        parts.append(table(("rule", "why", "names a pack", "denial"), [
            (f"`{name}`", sentence(rule), "yes" if holder else "", "yes" if denies else "")
            for name, rule, holder, denies in rows_of
        ]))  # fmt: skip
    parts.append("\n## Why a live pack adds nothing\n")
    parts.append(table(("reason", "when"), [(f"`{n}`", sentence(f)) for n, f in rows.REASONS]))
    return "".join(parts)


def stages_page() -> str:
    """Return docs/reference/stages.md."""
    parts = ["# Stages\n", PRINTED.format("aggregator/stages.py and cycle.py")]
    parts.append("\nRows are read from the top; the first that holds is taken, one a step.\n\n")
    parts.append(table(("from", "to", "transition", "when"), [
        (origin or "any", target or "where it was", f"`{name}`", sentence(guard))
        for origin, guard, target, name in stages.TRANSITIONS
    ]))  # fmt: skip
    told = comments(cycle, "TIMERS")
    parts.append("\n## Timers\n\n")
    parts.append(table(("timer", "counts"), [(f"`{t}`", told[t]) for t in cycle.TIMERS]))
    return "".join(parts)


def _defaults(record: type) -> dict[str, object]:
    """Return the defaults of a settings record: in its class, or in its constructor."""
    if record is PackSettings:
        return {name: getattr(record, name) for name in ranges.PACK_FIELDS}
    parameters = inspect.signature(record.__init__).parameters  # type: ignore[misc]
    return {name: parameter.default for name, parameter in parameters.items()}


def settings_page() -> str:
    """Return docs/reference/settings.md."""
    parts = ["# Settings\n", PRINTED.format("aggregator/ranges.py and settings.py")]
    parts.append(
        "\nThe defaults are common practice for LiFePO4 without a source; set them from the makers'"
        " data. A voltage left open is so many millivolts a cell (`charge_voltage_ceiling_mv` 3550,"
        " `discharge_voltage_floor_mv` 2800, `limp_voltage_mv` 3320, `limp_low_voltage_mv` 3100,"
        " `absorption_mv` 3450, `float_mv` 3350) times `cell_count`.\n"
    )
    sections = (
        ("The bank", BankSettings, "BANK_INTS", "BANK_FLAGS", "BANK_CHOICES"),
        ("Each pack: `[[packs]]`", PackSettings, "PACK_INTS", "PACK_FLAGS", ""),
        ("The daily charge: `[stages]`", StageSettings, "STAGE_INTS", "", "STAGE_CHOICES"),
    )
    for heading, record, ints, flags, choices in sections:
        defaults = _defaults(record)
        parts.append(f"\n## {heading}\n\n")
        body: list[tuple[object, ...]] = []
        told = comments(ranges, ints)
        for name, low, high, optional in getattr(ranges, ints):
            meaning, trade = _split(told[name])
            span = f"{_number(low)} .. {_number(high)}" + (" or open" if optional else "")
            default = "open" if defaults[name] is None else _number(defaults[name])
            body.append((f"`{name}`", span, default, meaning, trade))
        for table_name in (flags, choices):
            if not table_name:
                continue
            told = comments(ranges, table_name)
            for row in getattr(ranges, table_name):
                name, words = (row, ("false", "true")) if isinstance(row, str) else row
                meaning, trade = _split(told[name])
                default = str(defaults[name]).lower()
                body.append((f"`{name}`", ", ".join(words), default, meaning, trade))
        parts.append(table(("setting", "range", "default", "meaning", "trade-off"), body))
    parts.append("\n## Curves, for each pack\n\n")
    parts.append(
        "Pairs (x, permille) with rising x; linear between them, flat outside; an empty list derates"
        " nothing, and what it would read need not be reported.\n\n"
    )
    defaults = _defaults(PackSettings)
    told = comments(ranges, "PACK_CURVES")
    parts.append(table(("curve", "meaning", "default"), [
        (f"`{name}`", told[name], ", ".join(f"({x}, {y})" for x, y in defaults[name]))
        for name in ranges.PACK_CURVES
    ]))  # fmt: skip
    parts.append(
        "\n`own_packs`: names of the packs wired to this very board. `stages.adjustable`: rows (stage"
        " setting, lowest, highest) that the owner may change with `adjust_stage`.\n"
    )
    return "".join(parts)


def requests_page() -> str:
    """Return docs/reference/requests.md."""
    told = comments(requests, "KINDS")
    parts = ["# Requests\n", PRINTED.format("aggregator/requests.py")]
    parts.append(
        "\nWishes narrow only, the strictest wins, and order never matters; they are kept by (kind,"
        " pack, source), at most 16. Commands and declarations act at once. A wish without"
        " `lasts_ms` holds until it is cleared.\n\n"
    )
    body = []
    for kind, sort, needs_pack, low, high, ends in requests.KINDS:
        value = "" if low is None else f"{_number(low)} .. {_number(high)}"
        body.append((f"`{kind}`", sort, "yes" if needs_pack else "", value,
                     "yes" if ends else "", told[kind]))  # fmt: skip
    parts.append(table(("kind", "sort", "pack", "value", "may run out", "meaning"), body))
    return "".join(parts)


def findings_page() -> str:
    """Return docs/reference/findings.md."""
    parts = ["# Findings\n", PRINTED.format("aggregator/findings.py")]
    parts.append("\nThings worth a look. A finding never changes a limit.\n\n")
    body = []
    for about, entries in (("bank", findings.BANK_FINDINGS), ("pack", findings.PACK_FINDINGS)):
        for name, condition, hold_ms in entries:
            body.append((f"`{name}`", about, f"{hold_ms // 1000} s", sentence(condition)))
    parts.append(table(("finding", "about", "after", "when"), body))
    return "".join(parts)


def protocol_page() -> str:
    """Return docs/reference/driver-protocol.md."""
    parts = ["# Driver protocol\n", PRINTED.format("conformance/device.py")]
    parts.append(
        "\nJSON lines on standard input and output (`packyoke device`): one request a line, one"
        ' answer a line. `"op"` names the operation, `"t"` is the driver\'s time in ms; all other'
        " keys are fields. Field names and units are those of the [fields](fields.md),"
        " [settings](settings.md) and [requests](requests.md) pages; unknown is null or absent."
        ' An answer is `{"ok":true,...}` or `{"ok":false,"error":"...","field":"..."}`; an unknown'
        ' operation answers `{"ok":false,"error":"unsupported"}`. Empty lines and lines that start'
        " with `#` are skipped. Nothing a driver sends may crash the device.\n\n"
    )
    parts.append(table(("operation", "after reset only", "what it does"), [
        (f"`{name}`", "yes" if needs else "", sentence(act)) for name, needs, act in device.OPERATIONS
    ]))  # fmt: skip
    parts.append("\nA conversation:\n\n```json\n")
    made = device.Device()
    for line in CONVERSATION:
        parts.append(f"{line}\n{_shortened(device.answer_line(made, line) or '')}\n")
    parts.append("```\n")
    return "".join(parts)


def commands_page() -> str:
    """Return docs/reference/commands.md."""
    made = parser()
    parts = ["# Commands\n", PRINTED.format("the command line's own parser")]
    parts.append(
        "\nResults go to standard output, progress and complaints to standard error. Exit codes: 0"
        " fine, 1 the check found something, 2 usage, 3 cannot read or connect, 130 interrupted."
        " `--json` prints one object a line with the names of the [fields](fields.md) page.\n"
    )
    commands = next(a for a in made._actions if isinstance(a, argparse._SubParsersAction))
    for name, command in commands.choices.items():
        parts.append(f"\n## packyoke {name}\n\n{command.description}\n\n")
        body = []
        for action in command._actions:
            if action.dest == "help":
                continue
            shown = ", ".join(action.option_strings) or (action.metavar or action.dest)
            choices = ", ".join(action.choices) if action.choices else ""
            body.append((f"`{shown}`", action.help or choices or ""))
        if body:
            parts.append(table(("argument", "meaning"), body))
    return "".join(parts)


def requirements_page() -> str:
    """Return docs/reference/requirements.md."""
    parts = ["# Requirements\n", PRINTED.format("conformance/requirements.toml")]
    parts.append(
        "\nWhat a bridge that speaks for a bank must, should and may do. Whatever the kit checks cites"
        " one of these. *Safety*: a bridge that allows nothing at all meets it; *use*: it makes the"
        " bridge useful or truthful. Numbers are never used again.\n"
    )
    for area, heading in AREAS.items():
        parts.append(f"\n## {heading}\n\n")
        parts.append(table(("requirement", "level", "aim", "text", "reason", "source"), [
            (f"`{r.id}`", r.level.upper(), r.aim, r.text, r.reason, r.source)
            for r in REQUIREMENTS if r.area == area
        ]))  # fmt: skip
    return "".join(parts)


def links_page() -> str:
    """The page of links: what a site's file may say besides the bank's settings."""
    parts = [
        "# Links and the gateway\n",
        PRINTED.format("adapters/gateway/catalogue.py and the settings classes it names"),
        "What `SITE.toml` may hold besides the [settings](settings.md) of the bank."
        " [Run a gateway](../how-to/run-a-gateway.md) shows how it fits together.\n",
    ]
    for heading, text, body in sections():
        parts.append(f"## {heading}\n")
        if text:
            parts.append(text + "\n")
        if body:
            parts.append(table(("key", "default", "what it is"), body))
    return "\n".join(parts)


CONVERSATION = (
    '{"op":"hello","kit":1}',
    '{"op":"reset","t":0,"settings":{"packs":[{"pack":"oak","capacity_mah":314000}]}}',
    '{"op":"report","t":120,"pack":"oak","sample":1,"voltage_mv":53120,"soc_permille":1200}',
    '{"op":"request","t":130,"kind":"cap_charge_current","value":75000,"lasts_ms":7200000,"source":"phone"}',
    '{"op":"step","t":1000}',
    '{"op":"why","t":1000,"limit":"charge_voltage"}',
    '{"op":"bye"}',
)
LONGEST = 160


def _shortened(line: str) -> str:
    return line if len(line) <= LONGEST else line[:LONGEST] + "..."


PAGES = {
    "fields.md": fields_page,
    "rules.md": rules_page,
    "stages.md": stages_page,
    "settings.md": settings_page,
    "requests.md": requests_page,
    "findings.md": findings_page,
    "driver-protocol.md": protocol_page,
    "commands.md": commands_page,
    "requirements.md": requirements_page,
    "links.md": links_page,
}


def main() -> None:
    """Write every page."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, page in PAGES.items():
        (FOLDER / name).write_text(page(), encoding="utf-8")


if __name__ == "__main__":
    main()
