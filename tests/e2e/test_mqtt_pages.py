"""The pages on MQTT, Homie and metrics: their examples work as they stand."""

import re
from pathlib import Path

import pytest

from adapters.gateway.site_file import SitePlan, load_site
from adapters.mqtt.explain import explain
from adapters.mqtt.topic_map import load_map
from adapters.openmetrics.families import families
from adapters.openmetrics.text import exposition
from adapters.readings import Readings
from aggregator import PackReport
from tests.bank import Site
from tests.e2e.conftest import Command

PAGES = Path(__file__).parent.parent.parent / "docs" / "how-to"
FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(page: str, language: str) -> list[str]:
    """The fenced blocks of a page in a language."""
    text = (PAGES / page).read_text(encoding="utf-8")
    return [found[2] for found in FENCE.finditer(text) if found[1] == language]


def copied(page: str, folder: Path) -> SitePlan:
    """Copy each TOML block into the file that its first line names; return the site."""
    for text in blocks(page, "toml"):
        name = re.match(r"# ([\w.]+)", text)
        assert name is not None
        (folder / name[1]).write_text(text, encoding="utf-8")
    return load_site(folder / "SITE.toml")


def test_the_page_on_topics(tmp_path: Path) -> None:
    """The site loads, the map explains the sample, and the sample's messages make a report."""
    plan = copied("mqtt.md", tmp_path)
    [link] = plan.links
    lines = blocks("mqtt.md", "text")[0].splitlines()
    seen, remarks = explain(load_map(tmp_path / "shed.toml"), lines)
    assert remarks == []
    told = {(one.source, one.field): (one.raw, one.value) for one in seen}
    assert told[("shed/bms-1/state/dc/current", "current_ma")] == (-4.5, 4_500)
    assert told[("shed/bms-1/charge", "charge_allowed")] == (1, True)
    assert told[("shed/bms-1/size", "capacity_mah")] == (314, 314_000)
    records = []
    for line in lines:
        _, retained, topic, payload = line.split(" ", 3)
        item = (topic, payload.encode(), retained == "1", 1)
        records += link.hears[0].received(item, 1_000)
    *_, report = records
    assert isinstance(report, PackReport)
    assert (report.pack, report.voltage_mv, report.charge_allowed) == ("oak", 53_120, True)
    assert (report.charge_current_limit_ma, report.discharge_current_limit_ma) == (75_000, 100_000)


def test_the_pages_command_explains_the_sample(tmp_path: Path, packyoke: Command) -> None:
    """Numbers in people's units, and a remark on what would be refused."""
    copied("mqtt.md", tmp_path)
    sample = blocks("mqtt.md", "text")[0] + "1700000001 0 shed/bms-1/charge maybe\n"
    (tmp_path / "shed.txt").write_text(sample, encoding="utf-8")
    _, out, _ = packyoke(
        "check", tmp_path / "shed.toml", "--sample", tmp_path / "shed.txt", "--unit", "bms-1"
    )
    assert "53.120 V" in out
    assert "shed/bms-1/charge is refused: no number for charge_allowed: 'maybe'" in " ".join(
        out.split()
    )


def test_nothing_looks_wrong_in_the_page_s_own_sample(tmp_path: Path, packyoke: Command) -> None:
    """What is shown as an example is one."""
    copied("mqtt.md", tmp_path)
    (tmp_path / "shed.txt").write_text(blocks("mqtt.md", "text")[0], encoding="utf-8")
    code, out, _ = packyoke(
        "check", tmp_path / "shed.toml", "--sample", tmp_path / "shed.txt", "--unit", "bms-1"
    )
    assert code == 0
    assert "Nothing looks wrong" in out


def test_the_page_on_homie(tmp_path: Path) -> None:
    """The site loads, and every topic that the page names is one that the bank publishes."""
    plan = copied("homie.md", tmp_path)
    talker = plan.links[1].says[0]
    site = Site("oak").is_ready()
    talker.opened(0)
    published = set()
    for now_ms in range(0, 8_000, 100):
        published |= {item[0] for item in talker.due(now_ms, site.view, True)}
    text = (PAGES / "homie.md").read_text(encoding="utf-8")
    named = re.findall(r"`((?:limits|pack)/[a-z-]+)`", text)
    assert len(set(named)) >= 8
    for path in named:
        assert published & {f"homie/5/barn-bank/{path}", f"homie/5/barn-bank-oak/{path}"}, path
    subscribed = set(talker.subscriptions)  # type: ignore[attr-defined]  # this talker has it
    for path in re.findall(r"`(?:homie/5/barn-bank/)?(asked/[a-z-]+/set)`", text):
        assert subscribed & {f"homie/5/barn-bank/{path}", f"homie/5/barn-bank-oak/{path}"}, path


def test_the_page_on_metrics(tmp_path: Path) -> None:
    """The site loads, and the lines that the page shows are what the bank's page says."""
    plan = copied("metrics.md", tmp_path)
    assert plan.links[1].link().name == "metrics"
    site = Site("oak").is_ready()
    site.asks("cap_charge_current", value=75_000)
    page = exposition(families(site.runs(2), Readings())).decode()
    [shown] = blocks("metrics.md", "text")
    assert shown in page


@pytest.mark.parametrize("page", ["mqtt.md", "homie.md", "metrics.md"])
def test_every_metric_and_setting_named_is_real(page: str, tmp_path: Path) -> None:
    """Names in a page's text stand in the code."""
    text = (PAGES / page).read_text(encoding="utf-8")
    code = "".join(
        path.read_text(encoding="utf-8")
        for path in (PAGES.parent.parent / "adapters").rglob("*.py")
    )
    for name in re.findall(r"`packyoke_([a-z_]+)`", text):
        assert name.removesuffix("_total") in code, name
    for name in re.findall(r"`([a-z]+_[a-z]+)`", text):
        assert name.removeprefix("packyoke_").removesuffix("_total") in code, name
