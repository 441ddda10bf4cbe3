"""Outputs that show packs one by one: what each reads, and nothing where it is unknown or silent."""

import asyncio
import io
import urllib.request
from pathlib import Path

import pytest

from adapters.gateway.journal import Journal
from adapters.gateway.service import speaking
from adapters.gateway.site_file import load_site
from adapters.readings import Readings
from adapters.sunspec import Controls, chain, image
from adapters.sunspec.points import Value
from aggregator import PackReport, SystemView
from tests.broker import free_port
from tests.gateway import reading
from tests.homie_board import OAK, ROOT, Board, topics
from tests.readings import told
from tests.registers import NAMES, view_of
from tests.unit.test_sunspec import RATINGS

OAK_READS = PackReport(
    "oak", 1, current_ma=-42_500, soc_permille=873, soh_permille=990,
    cells_mv=[3_311] * 14 + [3_329, 3_320], temperatures_decic=[231, 184, -4],
    warnings=["cell_imbalance"], protections=["charge_over_temperature"],
)  # fmt: skip


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
    expected = {
        "StrSoC": 873, "StrSoH": 990, "StrA": 425, "StrCellVMax": 3_329, "StrCellVMaxMod": 1,
        "StrCellVMin": 3_311, "StrCellVMinMod": 1, "StrCellVAvg": 3_313, "StrModTmpMax": 231,
        "StrModTmpMaxMod": 1, "StrModTmpMin": -4, "StrModTmpMinMod": 1, "StrModTmpAvg": 137,
    }  # fmt: skip
    assert {name: said[name] for name in expected} == expected
    assert said["StrEvt1"] == 1 << 1 | 1 << 17  # OVER_TEMP_ALARM, VOLTAGE_IMBALANCE_WARNING
    view.packs[-1].presence = "late"
    late = strings(view, told(OAK_READS))[-1]
    assert (late["StrSoC"], late["StrEvt1"]) == (873, 1 << 0 | 1 << 1 | 1 << 17)


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
