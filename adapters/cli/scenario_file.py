"""Scenario files: the plant's description of a bank and its day, with the bank's settings.

title, seed, start_s, duration_s, ...     [[packs]]  [charger]  [sun]  [load]  [[faults]]
[bank]                                    the settings that differ from plain ones
"""

from pathlib import Path
from typing import Any

import attrs

from adapters.config import BadFileError, BankPartFile, given_in, read_toml, structured
from aggregator import BankSettings, SettingsError, StageSettings
from conformance.day import settings_for
from conformance.plant.scenario import FAULT_KINDS, Scenario, demo

ONLY_HERE = ("title", "charger", "sun", "load", "faults", "seed", "duration_s")
CHARGER_LIMITS = ("battery", "output")
MOST_DAYS = 7


@attrs.define(kw_only=True)
class ScenarioFile(Scenario):
    """A scenario with the settings beside it."""

    bank: BankPartFile | None = None  # type: ignore[valid-type]  # a class made from a table


def is_scenario(plain: dict[str, object]) -> bool:
    """Does this file describe a simulation, rather than a site's settings?"""
    packs = plain.get("packs")
    first = packs[0] if isinstance(packs, list) and packs else {}
    return any(key in plain for key in ONLY_HERE) or (
        isinstance(first, dict) and "capacity_ah" in first
    )


def load_scenario(path: Path | None) -> tuple[Scenario, BankSettings]:
    """Return the scenario in a file, and its settings; None: the demo. Raises BadFileError."""
    if path is None:
        return demo(), settings_for(demo())
    plain, text = read_toml(path)
    scenario: ScenarioFile = structured(plain, ScenarioFile, path, text)
    complaints = list(_impossible(scenario))
    if complaints:
        raise BadFileError([f"{path}: {complaint}" for complaint in complaints])
    given: dict[str, Any] = {} if scenario.bank is None else given_in(scenario.bank)
    try:
        if "stages" in given:
            given["stages"] = StageSettings(**given_in(given["stages"]))
        return scenario, settings_for(scenario, **given)
    except SettingsError as error:
        message = f"bank: {error.field}: expected {error.expected}, got {error.got}"
        raise BadFileError([f"{path}: {message}"]) from None


def _impossible(scenario: Scenario):  # type: ignore[no-untyped-def]  # yields texts
    """Yield what a simulation cannot start with."""
    names = [pack.pack for pack in scenario.packs]
    if not 0 < len(names) <= 16:
        yield f"packs: expected 1..16 packs, got {len(names)}"
    for pack in scenario.packs:
        for name, low, high in (
            ("capacity_ah", 1, 2_000), ("charge", 0, 1), ("cell_ohm", 1e-5, 0.1),
            ("external_ohm", 1e-5, 1), ("charge_limit_a", 0, 1_000), ("report_s", 0.1, 600),
            ("discharge_limit_a", 0, 1_000), ("rc_s", 1, 10_000), ("cell_rc_ohm", 0, 0.1),
        ):  # fmt: skip
            value = getattr(pack, name)
            if not low <= value <= high:
                yield f"packs: {pack.pack}: {name}: expected {low}..{high}, got {value:g}"
    if not 60 <= scenario.duration_s <= MOST_DAYS * 86_400:
        yield f"duration_s: expected 60..{MOST_DAYS * 86_400}, got {scenario.duration_s:g}"
    if scenario.charger.limits not in CHARGER_LIMITS:
        yield f"charger.limits: expected battery or output, got {scenario.charger.limits!r}"
    for fault in scenario.faults:
        if fault.kind not in FAULT_KINDS:
            yield f"faults: kind: expected one of {', '.join(FAULT_KINDS)}, got {fault.kind!r}"
        if fault.pack is not None and fault.pack not in names:
            yield f"faults: pack: expected one of {', '.join(names)}, got {fault.pack!r}"
