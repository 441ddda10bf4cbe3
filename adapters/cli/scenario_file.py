"""Scenario files: the plant's description of a bank and its day, with the bank's settings.

title, seed, start_s, duration_s, ...     [[packs]]  [charger]  [sun]  [load]  [[faults]]
[bank]  [bank.stages]                     the settings that differ from plain ones
"""

from collections.abc import Iterator
from pathlib import Path

from attrs import fields, has

from adapters.config import bank_from
from adapters.structure import STAND_IN, structured
from adapters.toml_file import Complaint, Place, raise_if_any, read_toml
from aggregator import BankSettings, PackSettings
from aggregator.errors import told
from aggregator.plain import REPORT_KEYS
from aggregator.report import bad_id
from conformance.day import settings_for
from conformance.plant.scenario import FAULT_KINDS, Scenario, demo

ONLY_HERE = ("title", "charger", "sun", "load", "faults", "seed", "duration_s", "bank")
USUAL = ("fresh_ms", "unheard_ms", "charger_limits")  # what follows from the scenario
CHARGER_LIMITS = ("battery", "output")
MOST_PACKS = 16
LONGEST_S = 7 * 86_400
# What the plant can be asked to simulate: every number of a scenario, lowest and highest.
RANGES: dict[str, tuple[float, float]] = {
    "base_a": (0, 2_000), "base_swing_a": (0, 2_000), "bleed_a": (0, 10), "capacity_ah": (1, 2_000),
    "capacity_spread": (0, 0.2), "ceiling_a": (0, 10_000), "cell_ohm": (1e-5, 0.1),
    "cell_rc_ohm": (0, 0.1), "charge": (0, 1), "charge_limit_a": (0, 1_000),
    "charge_spread": (0, 0.1), "cloud_s": (1, 86_400), "counter_error": (-1, 1),
    "counter_full_v": (40, 70), "counter_gain": (0.1, 10), "counter_offset_a": (-50, 50), "current_noise_a": (0, 50),
    "current_offset_a": (-50, 50), "discharge_limit_a": (0, 1_000), "drop_ohm": (0, 1),
    "duration_s": (60, LONGEST_S), "evening_a": (0, 2_000), "evening_end_h": (0, 24),
    "evening_start_h": (0, 24), "external_ohm": (1e-5, 1), "fall_a_per_s": (0.01, 10_000),
    "gives_up_s": (0, 86_400), "high_cell_charge": (-0.2, 0.2), "hysteresis_charge": (0.001, 1),
    "hysteresis_v": (0, 0.1), "ladder_ohm": (0, 0.1), "late_s": (0, 600), "latency_s": (0, 600),
    "low_voltage_limit_v": (30, 56), "ohm_spread": (0, 0.3), "part": (0, 1), "peak_a": (0, 10_000),
    "rc_s": (1, 10_000), "report_loss": (0, 1), "report_s": (0.1, 200),
    "rise_a_per_s": (0.01, 10_000), "seed": (-(10**18), 10**18), "skew_s": (0, 600),
    "smoothing_s": (0.1, 3_600), "start_s": (0, LONGEST_S), "step_s": (1, 86_400),
    "steps_a": (0, 2_000), "steps_per_h": (0, 3_600), "stop_s": (0, LONGEST_S),
    "sunrise_h": (0, 24), "sunset_h": (0, 24), "temperature_c": (-40, 80), "trip_s": (0, 3_600),
    "value": (-1_000, 1_000), "voltage_limit_v": (50, 70), "voltage_offset_v": (-5, 5),
    "warming_k_per_w": (0, 1), "warming_s": (60, 86_400), "working_h": (0, 24),
}  # fmt: skip
# Texts of which only some are known.
CHOICES: dict[str, tuple[str, ...]] = {
    "limits": CHARGER_LIMITS,
    "kind": FAULT_KINDS,
    "omits": tuple(REPORT_KEYS),
}
# How many numbers a list must have.
LENGTHS = {"steps_a": (1, 100), "working_h": (2, 2), "packs": (1, MOST_PACKS)}


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
        usual = {name: getattr(chosen, name) for name in USUAL}
    settings = bank_from(table, packs, usual, ("bank",), complaints)
    raise_if_any(complaints, path, lines)
    assert scenario is not None
    assert settings is not None
    return scenario, settings


def _impossible(scenario: Scenario) -> Iterator[Complaint]:
    """Yield what a simulation cannot start with."""
    yield from _out_of_range(scenario, ())
    names = [pack.pack for pack in scenario.packs]
    for number, name in enumerate(names):
        refusal = bad_id(name)
        if refusal is not None:
            yield Complaint(("packs", number, "pack"), refusal.expected, refusal.got)
        if name in names[:number]:
            yield Complaint(("packs", number, "pack"), "every name once", told(name))
    for number, fault in enumerate(scenario.faults):
        if fault.pack is not None and fault.pack not in names:
            expected = f"one of {', '.join(dict.fromkeys(names))}"
            yield Complaint(("faults", number, "pack"), expected, told(fault.pack))


def _out_of_range(value: object, place: Place) -> Iterator[Complaint]:
    """Yield every number, word and list in a record, however deep, that is out of its range."""
    name = next((part for part in reversed(place) if isinstance(part, str)), "")
    kind: type = type(value)
    if has(kind):
        for one in fields(kind):
            yield from _out_of_range(getattr(value, one.name), (*place, one.name))
    elif isinstance(value, list):
        least, most = LENGTHS.get(name, (0, 100))
        if not least <= len(value) <= most:
            yield Complaint(place, f"{least}..{most} of them", str(len(value)))
        for number, element in enumerate(value):
            yield from _out_of_range(element, (*place, number))
    elif isinstance(value, str) and value not in CHOICES.get(name, (value,)):
        yield Complaint(place, f"one of {', '.join(CHOICES[name])}", told(value))
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        low, high = RANGES[name]
        if not low <= value <= high:
            yield Complaint(place, f"{low:g}..{high:g}", f"{value:g}")
