"""Any readings: outputs that show packs one by one never show a number for what is unknown."""

import json
from decimal import Decimal
from fractions import Fraction
from itertools import chain as joined

import pytest
from hypothesis import given

from adapters.homie.devices import READING
from adapters.homie.settings import HomieSettings
from adapters.homie.tree import Tree
from adapters.openmetrics.families import READING as METRICS
from adapters.openmetrics.families import families
from adapters.openmetrics.text import exposition
from adapters.readings import Readings
from aggregator import SystemView
from tests.homie_rules import valid
from tests.readings import banks
from tests.registers import NAMES
from tests.unit.test_openmetrics import parsed
from tests.unit.test_pack_readings import strings

# Points of a string: field, steps of the core in one of the point's. Source: SUNSPEC, model 803.
POINTS = {
    "StrSoC": ("soc_permille", 1), "StrSoH": ("soh_permille", 1), "StrA": ("current_ma", -100),
    "StrCellVMax": ("cell_max_mv", 1), "StrCellVMin": ("cell_min_mv", 1),
    "StrModTmpMax": ("temperature_max_decic", 1), "StrModTmpMin": ("temperature_min_decic", 1),
}  # fmt: skip
WHERE = {"StrCellVMaxMod": "StrCellVMax", "StrCellVMinMod": "StrCellVMin",
         "StrModTmpMaxMod": "StrModTmpMax", "StrModTmpMinMod": "StrModTmpMin"}  # fmt: skip
AVERAGES = {"StrCellVAvg": ("cell", "cells_mv"), "StrModTmpAvg": ("temperature", "temperatures_decic")}  # fmt: skip
# Properties of a pack's device, likewise.
PROPERTIES = {
    "measured/voltage": ("voltage_mv", 1_000), "measured/current": ("current_ma", 1_000),
    "measured/charge": ("soc_permille", 10), "measured/health": ("soh_permille", 10),
    "measured/capacity": ("capacity_mah", 1_000), "measured/balancing": ("balancing", 1),
    "measured/lowest-cell": ("cell_min_mv", 1_000), "measured/lowest-cell-at": ("cell_min_no", 1),
    "measured/highest-cell": ("cell_max_mv", 1_000), "measured/highest-cell-at": ("cell_max_no", 1),
    "measured/coldest": ("temperature_min_decic", 10),
    "measured/hottest": ("temperature_max_decic", 10),
    "alarms/warnings": ("warnings", 1), "alarms/protections": ("protections", 1),
    "own/charge-voltage": ("charge_voltage_limit_mv", 1_000),
    "own/discharge-voltage": ("discharge_voltage_limit_mv", 1_000),
    "own/charge-current": ("charge_current_limit_ma", 1_000),
    "own/discharge-current": ("discharge_current_limit_ma", 1_000),
    "own/permits-charge": ("charge_allowed", 1), "own/permits-discharge": ("discharge_allowed", 1),
    "own/charge-path": ("charge_path_closed", 1), "own/discharge-path": ("discharge_path_closed", 1),
}  # fmt: skip


@given(banks())
def test_a_string_says_what_its_pack_reads(bank: tuple[SystemView, Readings]) -> None:
    """Any readings: to half a step, and "not implemented" exactly where there is no number."""
    view, readings = bank
    for row, said in zip(view.packs, strings(view, readings), strict=True):
        found = readings.now(row)
        for name, (field, steps) in POINTS.items():
            value, raw = getattr(found, field, None), said[name]
            if value is None:
                assert raw is None, name
            elif raw is None:
                assert (
                    abs(value) > 3_276_000
                )  # more than the register holds: nothing else is left out
            else:
                assert isinstance(raw, int)
                assert abs(raw - Fraction(value, steps)) <= Fraction(1, 2), name
        for name, about in WHERE.items():
            assert said[name] == (None if said[about] is None else 1)
        for name, (_, values_of) in AVERAGES.items():
            values, mean = getattr(found, values_of, None), said[name]
            lowest, highest = (said[name[:-3] + end] for end in ("Min", "Max"))
            if values:
                assert isinstance(mean, int)
                assert abs(mean - Fraction(sum(values), len(values))) <= Fraction(1, 2)
            else:
                assert mean == (lowest if lowest == highest else None)


@given(banks())
def test_a_device_says_only_what_is_known(bank: tuple[SystemView, Readings]) -> None:
    """Any readings: a payload that its description allows, equal to the reading, or an empty topic."""
    view, readings = bank
    tree = Tree(HomieSettings(), NAMES, readings)
    values = tree.values(view)
    assert {one.about.path for one in READING} == set(PROPERTIES)
    for row in view.packs:
        device = tree.packs[row.pack]
        nodes = tree.bodies[device]["nodes"]
        for path, (field, steps) in PROPERTIES.items():
            value = getattr(readings.now(row), field, None)
            payload = values[tree.topic(path, device)].decode()
            if value is None:
                assert payload == "", path
                continue
            node, one = path.split("/")
            valid(nodes[node]["properties"][one], payload)
            said = json.loads(payload, parse_float=Decimal)
            assert (tuple(said) if isinstance(said, list) else said * steps) == value, path


@pytest.mark.source("OPENMETRICS", "text format; read by prometheus_client's parser")
@given(banks())
def test_metrics_of_packs_are_what_they_read(bank: tuple[SystemView, Readings]) -> None:
    """Any readings: a sample for each pack and field that is known, equal to it; none else."""
    view, readings = bank
    found = {
        (one.name, *sorted(one.labels.values())): one.value
        for one in parsed(exposition(families(view, readings)))
    }
    for row in view.packs:
        known = readings.now(row)
        for name, unit, field, digits, _ in METRICS:
            value = getattr(known, field, None)
            shown = found.get((f"packyoke_{name}_{unit}" if unit else f"packyoke_{name}", row.pack))
            assert shown == (None if value is None else value / 10**digits)
        mah = getattr(known, "capacity_mah", None)
        shown = found.get(("packyoke_pack_capacity_coulombs", row.pack))
        assert shown == (None if mah is None else pytest.approx(mah * 3.6))
        for kind in ("warning", "protection"):
            names = getattr(known, kind + "s", None) or ()
            alarms = [key for key in found if {"packyoke_pack_alarm", kind, row.pack} < set(key)]
            assert set(joined(*alarms)) - {"packyoke_pack_alarm", kind, row.pack} == set(names)
