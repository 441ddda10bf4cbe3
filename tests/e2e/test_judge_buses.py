"""`packyoke judge` over real buses, from the front door: our gateway passes, a bad bridge is found."""

import re
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from adapters.cli.rig.file import load_rig
from adapters.cli.rig.running import RunningRig
from tests.broker import broker, free_port
from tests.can_map import example
from tests.rigs.run import GATEWAY, Result, bridge, judged, on_bus, side_by_side
from tests.rigs.sites import FAST, MULTICAST, can, mqtt
from tests.sources import ROOT

PAGES = ROOT / "docs" / "how-to"
Command = Callable[..., tuple[int, str, str]]
# A few for each bus, so that together they are most; all of them: python -m tests.rigs
STORIES = {
    "can": ("BUS-002", "BUS-007", "BUS-010"),
    "modbus": ("BUS-005", "BUS-008", "BUS-011"),
    "mqtt": ("BUS-007", "BUS-015", "BUS-016"),
    "bad": ("BUS-005", "BUS-007", "BUS-011"),
}


def page_rig(folder: Path) -> None:
    """Write the example of the page, and the site of the page on CAN, on a bus of this machine."""
    example(folder)
    bus = MULTICAST.format(port=free_port())
    for page, name in (("can-dbc.md", "SITE.toml"), ("judge-your-bridge.md", "RIG.toml")):
        text = (PAGES / page).read_text(encoding="utf-8")
        (found,) = re.findall(rf"^```toml\n# {name}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
        found = re.sub(
            r'^interface = .*\nchannel = "can0"\n(bitrate = .*\n)?', bus, found, flags=re.M
        )
        (folder / name).write_text(FAST + found, encoding="utf-8")


def of_the_page(folder: Path) -> Result:
    """Judge the site of one page by the rig of the other."""
    folder.mkdir()
    page_rig(folder)
    with bridge(folder, GATEWAY):
        return judged(folder, f"can:{folder / 'RIG.toml'}", ["BUS-007"])


def without_a_bridge(folder: Path) -> Result:
    """Judge where there is none."""
    folder.mkdir()
    can(folder)
    return judged(folder, f"can:{folder / 'RIG.toml'}", ["BUS-001"])


def without_a_bus(folder: Path) -> Result:
    """Judge over an adapter that is not plugged in."""
    folder.mkdir()
    can(folder)
    rig = folder / "RIG.toml"
    text = rig.read_text(encoding="utf-8").replace("udp_multicast", "slcan")
    rig.write_text(re.sub(r"channel = .*\noptions = .*\n", 'channel = "/dev/none"\n', text))
    return judged(folder, f"can:{rig}", ["BUS-001"])


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Result]:
    """Judge all of them side by side: what takes long is the waiting."""
    folder = tmp_path_factory.mktemp("rigs")
    tasks: dict[str, Callable[[], Result]] = {
        name: partial(on_bus, name, folder / name, cases) for name, cases in STORIES.items()
    }
    for task in (of_the_page, without_a_bridge, without_a_bus):
        tasks[task.__name__] = partial(task, folder / task.__name__)
    return side_by_side(tasks)


@pytest.mark.parametrize("bus", ["can", "modbus", "mqtt"])
def test_our_gateway_passes(bus: str, results: dict[str, Result]) -> None:
    """DBC to RV-C, registers to SunSpec, topics to Homie: every MUST asked is met."""
    result = results[bus]
    assert result.verdicts == dict.fromkeys(STORIES[bus], "pass"), result.screen
    assert result.code == 0
    assert "Every MUST is met." in result.screen


def test_a_bad_bridge_is_found_and_told_in_words(results: dict[str, Result]) -> None:
    """One that adds up limits and is deaf misses every MUST asked; the story says what happened."""
    result = results["bad"]
    assert result.verdicts == dict.fromkeys(STORIES["bad"], "must_missed"), result.screen
    assert result.code == 1
    refused = result.cases["BUS-007"]["detail"]
    assert "fir's charge allowed went from yes to no" in refused
    assert "your charge limit was 200 A: REQ-LIM-04" in refused
    assert "fir stopped reporting" in result.cases["BUS-011"]["detail"]


def test_the_example_of_the_page_judges_the_example_of_the_other(
    results: dict[str, Result],
) -> None:
    """The rig on the page plays the packs, and hears the inverter's frames, of the page on CAN."""
    result = results["of_the_page"]
    assert result.verdicts == {"BUS-007": "pass"}, result.screen


def test_a_rig_can_be_checked_without_its_buses(tmp_path: Path, packyoke: Command) -> None:
    """As any other file of an owner's can."""
    page_rig(tmp_path)
    rig = tmp_path / "RIG.toml"
    assert packyoke("check", rig)[:2] == (0, f"{rig}: a rig of 1 link: fine\n")
    rig.write_text(rig.read_text(encoding="utf-8").replace('"dbc"', '"dcb"'), encoding="utf-8")
    code, _, err = packyoke("check", rig)
    assert (code, err.count("\n")) == (1, 3)
    assert 'links[1].listens[1].as: expected one of dbc, rv-c, got "dcb"' in err


def test_a_rig_that_is_wrong_is_told_in_one_pass(tmp_path: Path, packyoke: Command) -> None:
    """Each mistake on a line of its own, with its place, what was expected, and what helps."""
    can(tmp_path)
    rig = tmp_path / "RIG.toml"
    text = rig.read_text(encoding="utf-8")
    text = text.replace("react_ms = 2_000", 'react_ms = "soon"').replace('"rv-c"', '"smoke"')
    rig.write_text(
        text.replace('map = "oak.toml"\n  pack = "oak"', 'map = "elm.toml"\n  pack = "oak"')
    )
    code, out, err = packyoke("judge", f"can:{rig}")
    assert (code, out) == (1, "")
    assert "rig.react_ms: expected a whole number" in err
    assert 'links[1].listens[1].as: expected one of dbc, rv-c, got "smoke"' in err
    assert "elm.toml: cannot be read" in err


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("[[links.listens]]", "[[links.plays]]", "plays"),
        ('  [[links.listens]]\n  as = "rv-c"\n', "", "a [[links.listens]]: who is told"),
        ('pack = "fir"\n  id_offset', 'pack = "elm"\n  id_offset', "add a [[links.plays]]"),
        ("react_ms = 2_000", "healthy = { soc_permille = 2_000 }", "rig.healthy.soc_permille"),
        ("react_ms = 2_000", 'healthy = { current_ma = "much" }', "rig.healthy.current_ma"),
    ],
)
def test_each_mistake_in_a_rig_is_named(
    old: str, new: str, told: str, tmp_path: Path, packyoke: Command
) -> None:
    """A rig without ears, without a pack, or with packs that cannot be, is not run."""
    can(tmp_path)
    rig = tmp_path / "RIG.toml"
    rig.write_text(rig.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    code, out, err = packyoke("judge", f"can:{rig}", "--list")
    assert (code, out) == (1, "")
    assert told in err


def test_the_target_names_the_bus(tmp_path: Path, packyoke: Command) -> None:
    """mqtt: with a rig that has no MQTT is a mistake; bus: takes any; a missing file is unreadable."""
    can(tmp_path)
    rig = tmp_path / "RIG.toml"
    code, _, err = packyoke("judge", f"mqtt:{rig}", "--list")
    assert (code, "expected a link of kind mqtt, got can" in err) == (1, True)
    code, out, _ = packyoke("judge", f"bus:{rig}", "--list")
    assert (code, "BUS-007  must    A pack refuses charge" in out) == (0, True)
    assert packyoke("judge", "can:no-such-rig.toml")[0] == 3
    code, _, err = packyoke("judge", "can:")
    assert (code, "such as can:RIG.toml" in err) == (1, True)
    assert packyoke("judge", f"can:{rig}", "--vectors", "mine.json")[0] == 2
    assert packyoke("judge", f"can:{rig}", "--case", "LIM-001")[0] == 2


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("without_a_bridge", "told a charger nothing for 15 s: is it running"),
        ("without_a_bus", "van: cannot open slcan /dev/none"),
    ],
)
def test_where_nothing_can_be_judged(name: str, told: str, results: dict[str, Result]) -> None:
    """A bus that is not there, a bridge that says nothing: exit code 3, and one line says which."""
    result = results[name]
    assert (result.code, result.verdicts) == (3, {"BUS-001": "error"})
    assert told in result.cases["BUS-001"]["detail"]


def test_a_bus_that_is_lost_is_told(tmp_path: Path) -> None:
    """When the broker goes, nothing that follows is held against the bridge."""
    with broker(tmp_path) as running:
        mqtt(tmp_path, running.port)
        rig = RunningRig(load_rig(f"mqtt:{tmp_path / 'RIG.toml'}"))
        rig.open()
        try:
            assert rig.trouble() == ""
            running.stop()
            until_s = time.monotonic() + 10
            while not rig.trouble() and time.monotonic() < until_s:
                time.sleep(0.05)
            assert rig.trouble().startswith("broker: the bus was lost: ")
        finally:
            rig.close()
