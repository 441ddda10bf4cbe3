"""Scenario files: the plant's description of a bank and its day, with the bank's settings.

title, seed, start_s, duration_s, ...     [[packs]]  [charger]  [sun]  [load]  [[faults]]
[bank]  [bank.stages]                     the settings that differ from plain ones
"""

from collections.abc import Iterator
from pathlib import Path

from adapters.config import bank_from
from adapters.structure import STAND_IN, structured
from adapters.toml_file import Complaint, raise_if_any, read_toml
from aggregator import BankSettings, PackSettings
from aggregator.errors import told
from aggregator.report import bad_id
from conformance.day import settings_for
from conformance.plant.scenario import FAULT_KINDS, PackModel, Scenario, demo

ONLY_HERE = ("title", "charger", "sun", "load", "faults", "seed", "duration_s", "bank")
CHARGER_LIMITS = ("battery", "output")
MOST_PACKS = 16
LONGEST_S = 7 * 86_400
PACK_RANGES = (
    ("capacity_ah", 1, 2_000),
    ("charge", 0, 1),
    ("cell_ohm", 1e-5, 0.1),
    ("cell_rc_ohm", 0, 0.1),
    ("rc_s", 1, 10_000),
    ("external_ohm", 1e-5, 1),
    ("charge_limit_a", 0, 1_000),
    ("discharge_limit_a", 0, 1_000),
    ("report_s", 0.1, 600),
)


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
    plain, lines = read_toml(path)
    complaints: list[Complaint] = []
    described = {key: plain[key] for key in plain if key != "bank"}
    scenario = structured(described, Scenario, (), complaints)
    table = structured(plain.get("bank", {}), dict[str, object], ("bank",), complaints) or {}
    if "packs" in table:
        del table["packs"]
        complaints.append(
            Complaint(("bank", "packs"), "no packs here", "some", "the scenario's own are used")
        )
    if scenario is not None:
        complaints += _impossible(scenario)
    packs, usual = [PackSettings(STAND_IN)], {}
    if scenario is not None and not complaints:
        chosen = settings_for(scenario)
        packs = chosen.packs
        usual = {"fresh_ms": chosen.fresh_ms, "charger_limits": chosen.charger_limits}
    settings = bank_from(table, packs, usual, ("bank",), complaints)
    raise_if_any(complaints, path, lines)
    assert scenario is not None
    assert settings is not None
    return scenario, settings


def _impossible(scenario: Scenario) -> Iterator[Complaint]:
    """Yield what a simulation cannot start with."""
    names = [pack.pack for pack in scenario.packs]
    if not 0 < len(names) <= MOST_PACKS:
        yield Complaint(("packs",), f"1..{MOST_PACKS} packs", str(len(names)))
    for number, pack in enumerate(scenario.packs):
        yield from _impossible_pack(pack, number, names)
    if not 60 <= scenario.duration_s <= LONGEST_S:
        yield Complaint(("duration_s",), f"60..{LONGEST_S}", f"{scenario.duration_s:g}")
    if scenario.charger.limits not in CHARGER_LIMITS:
        got = told(scenario.charger.limits)
        yield Complaint(("charger", "limits"), " or ".join(CHARGER_LIMITS), got)
    for number, fault in enumerate(scenario.faults):
        if fault.kind not in FAULT_KINDS:
            expected = f"one of {', '.join(FAULT_KINDS)}"
            yield Complaint(("faults", number, "kind"), expected, told(fault.kind))
        if fault.pack is not None and fault.pack not in names:
            expected = f"one of {', '.join(dict.fromkeys(names))}"
            yield Complaint(("faults", number, "pack"), expected, told(fault.pack))


def _impossible_pack(pack: PackModel, number: int, names: list[str]) -> Iterator[Complaint]:
    refusal = bad_id(pack.pack)
    if refusal is not None:
        yield Complaint(("packs", number, "pack"), refusal.expected, refusal.got)
    if pack.pack in names[:number]:
        yield Complaint(("packs", number, "pack"), "every name once", told(pack.pack))
    for name, low, high in PACK_RANGES:
        value = getattr(pack, name)
        if not low <= value <= high:
            yield Complaint(("packs", number, name), f"{low:g}..{high:g}", f"{value:g}")
