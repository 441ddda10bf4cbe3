"""Outputs that show packs one by one: what each reads, and nothing where it is unknown or silent."""

import asyncio
import io
import json
import urllib.request
from decimal import Decimal
from fractions import Fraction
from itertools import chain as joined
from pathlib import Path

import pytest
from hypothesis import given

from adapters.gateway.journal import Journal
from adapters.gateway.service import speaking
from adapters.gateway.site_file import load_site
from adapters.homie.devices import READING
from adapters.homie.settings import HomieSettings
from adapters.homie.tree import Tree
from adapters.openmetrics.families import READING as METRICS
from adapters.openmetrics.families import families
from adapters.openmetrics.text import exposition
from adapters.readings import Readings
from adapters.sunspec import Controls, chain, image
from adapters.sunspec.points import Value
from aggregator import PackReport, SystemView
from tests.broker import free_port
from tests.gateway import reading
from tests.homie_board import OAK, ROOT, Board, topics
from tests.homie_rules import valid
from tests.readings import banks, told
from tests.registers import NAMES, view_of
from tests.unit.test_openmetrics import parsed
from tests.unit.test_sunspec import RATINGS

OAK_READS = PackReport(
    "oak", 1, current_ma=-42_500, soc_permille=873, soh_permille=990,
    cells_mv=[3_311] * 14 + [3_329, 3_320], temperatures_decic=[231, 184, -4],
    warnings=["cell_imbalance"], protections=["charge_over_temperature"],
)  # fmt: skip

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


def strings(view: SystemView, readings: Readings) -> list[dict[str, Value]]:
    """The strings of model 803, raw, in the order of the packs' names."""
    made = image(view, readings, RATINGS, Controls(), False)
    assert all(0 <= word <= 0xFFFF for word in made)
    return chain(made)[803][1]


@pytest.mark.source("SUNSPEC", "model 803, points of a string and StrEvt1")
def test_what_a_string_says() -> None:
    """Charge, current (positive: out), cells, temperatures and alarms of its pack."""
    view = view_of()
    said = dict(zip(NAMES, strings(view, told(OAK_READS)), strict=True))["oak"]
    shown = {name: said[name] for name in (*POINTS, *WHERE, *AVERAGES)}
    assert shown == {
        "StrSoC": 873, "StrSoH": 990, "StrA": 425, "StrCellVMax": 3_329, "StrCellVMaxMod": 1,
        "StrCellVMin": 3_311, "StrCellVMinMod": 1, "StrCellVAvg": 3_313, "StrModTmpMax": 231,
        "StrModTmpMaxMod": 1, "StrModTmpMin": -4, "StrModTmpMinMod": 1, "StrModTmpAvg": 137,
    }  # fmt: skip
    assert said["StrEvt1"] == 1 << 1 | 1 << 17  # OVER_TEMP_ALARM, VOLTAGE_IMBALANCE_WARNING
    view.packs[-1].presence = "late"
    late = strings(view, told(OAK_READS))[-1]
    assert (late["StrSoC"], late["StrEvt1"]) == (873, 1 << 0 | 1 << 1 | 1 << 17)


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


def test_a_packs_device_says_what_it_reads() -> None:
    """Exactly, with the numbers of its cells, its own limits and alarms; all gone once it is unheard."""
    board = Board()
    board.site.says("oak", current_ma=-1_234, cell_min_no=7, capacity_mah=199_500,
                    warnings=["cell_imbalance"], temperature_min_decic=-15)  # fmt: skip
    board.site.runs(1)
    board.opens()
    below = "battery-bank-oak/"
    shown = {
        name: board.follower.values.get(below + name)
        for name in ("measured/voltage", "measured/current", "measured/charge", "measured/capacity",
                     "measured/lowest-cell", "measured/lowest-cell-at", "measured/highest-cell-at",
                     "measured/coldest", "measured/balancing", "alarms/warnings",
                     "own/charge-current", "own/permits-charge")
    }  # fmt: skip
    assert shown == {
        "measured/voltage": "53.000", "measured/current": "-1.234", "measured/charge": "50.0",
        "measured/capacity": "199.500", "measured/lowest-cell": "3.310",
        "measured/lowest-cell-at": "7", "measured/highest-cell-at": None,
        "measured/coldest": "-1.5", "measured/balancing": None,
        "alarms/warnings": '["cell_imbalance"]', "own/charge-current": "100.000",
        "own/permits-charge": "true",
    }  # fmt: skip
    board.site.falls_silent("oak")
    out = board.steps(40)
    assert (OAK + "measured/voltage", b"", True, 2) in out
    left = [one for one in board.follower.values if one.startswith(below)]
    assert {one.split("/")[1] for one in left} == {"pack"}
    assert board.follower.values["battery-bank-fir/measured/voltage"] == "53.000"


def test_what_packs_read_comes_after_what_matters() -> None:
    """Of what has changed, the bank's values and alerts go first: a slow broker has those soon."""
    board = Board()
    board.opens()
    board.site.says(current_ma=3_000, soc_permille=600, voltage_mv=53_100, cell_max_mv=3_320)
    board.site.runs(1)
    changed = [one for one in topics(board.turns(1)) if "/limits/" not in one]
    assert ROOT + "measured/current" in changed
    first = next(at for at, one in enumerate(changed) if one.startswith(OAK + "measured/"))
    assert not [one for one in changed[first:] if one.startswith(ROOT)]


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


SITE = """
cell_count = 16
[gateway]
state = ""
[[packs]]
pack = "oak"
capacity_mah = 100_000
[[links]]
name = "in"
kind = "tcp"
host = "127.0.0.1"
port = 1
  [[links.hears]]
  as = "json-lines"
[[links]]
name = "modbus"
kind = "modbus-tcp-server"
  [[links.says]]
  as = "sunspec"
[[links]]
name = "broker"
kind = "mqtt"
host = "127.0.0.1"
  [[links.says]]
  as = "homie"
[[links]]
name = "page"
kind = "metrics"
port = {port}
"""


def test_a_sites_outputs_show_what_its_packs_read(tmp_path: Path) -> None:
    """What is reported to the gateway is in the string, in the topics and on the page."""
    port = free_port()
    path = tmp_path / "SITE.toml"
    path.write_text(SITE.format(port=port), encoding="utf-8")
    plan = load_site(path)
    gateway = speaking(plan, Journal(io.StringIO()))
    for sample in range(3):  # so many until the bank takes it for there
        gateway.take([reading("oak", sample, soc_permille=600)], "test")
    view = gateway.step()
    _, modbus, broker, _ = plan.links
    (table,) = modbus.says[0].due(0, view, False)[0].tables.values()
    assert chain([table[at] for at in sorted(table)])[803][1][0]["StrSoC"] == 600
    homie = broker.says[0]
    homie.opened(0)
    told = [item for ms in range(0, 4_000, 20) for item in homie.due(ms, view, False)]
    assert (OAK + "measured/charge", b"60.0", True, 2) in told

    def fetch() -> str:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5) as answer:
            return str(answer.read().decode())

    async def page() -> str:
        link = gateway.links[-1]
        task = asyncio.create_task(link.run(gateway))
        while not link.counts.opened:
            await asyncio.sleep(0.01)
        try:
            return await asyncio.to_thread(fetch)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    assert 'packyoke_pack_charge_ratio{pack="oak"} 0.600\n' in asyncio.run(page())
