"""The pages on Modbus and SunSpec: their examples can be copied, and do what they say."""

import re
from pathlib import Path

import pytest

from adapters.cli.main import main
from adapters.gateway.site_file import SitePlan, load_site
from adapters.links import MessageLink
from adapters.modbus import BankServer, BankWriter, PackPoller, explain, load_map, read_bank
from adapters.registers import Image
from adapters.sunspec import SunSpecServer, chain
from adapters.toml_file import BadFileError
from tests.registers import view_of

PAGES = Path(__file__).parents[2] / "docs" / "how-to"


def laid_out(page: str, folder: Path, language: str = "toml") -> dict[str, str]:
    """Write the page's files into a folder; return them by name."""
    text = (PAGES / page).read_text(encoding="utf-8")
    found = re.findall(
        rf"^```{language}\n# (\S+?)(?=[:\n])(.*?)^```$", text, re.MULTILINE | re.DOTALL
    )
    for name, content in found:
        (folder / name).write_text("#" + content, encoding="utf-8")
    return dict(found)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The files of the page on Modbus."""
    names = laid_out("modbus.md", tmp_path)
    assert set(names) == {"birch.toml", "SITE.toml", "bank.toml", "serve.toml", "write.toml"}
    return tmp_path


def site(folder: Path, *parts: str) -> SitePlan:
    """The site in several files, as if they were one."""
    whole = folder / "whole.toml"
    texts = [(folder / part).read_text(encoding="utf-8") for part in parts]
    whole.write_text("\n".join(texts), encoding="utf-8")
    return load_site(whole)


def test_the_packs_of_the_page_are_asked(folder: Path) -> None:
    """Two packs on one line, each by the map at its address."""
    (plan,) = site(folder, "SITE.toml").links
    assert [type(one) for one in plan.hears] == [PackPoller, PackPoller]
    assert isinstance(plan.link(), MessageLink)


def test_the_recording_of_the_page_says_what_the_page_says(folder: Path) -> None:
    """The shown words are the shown pack: 42.5 A into it, cells that add up to its voltage."""
    text = (PAGES / "modbus.md").read_text(encoding="utf-8")
    (recording,) = re.findall(r"^```text\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    seen = explain(load_map(folder / "birch.toml"), recording.splitlines())
    said = {one.field: one.value for one in seen}
    assert said["current_ma"] == 42_500
    assert said["soc_permille"] == 870
    assert (said["charge_current_limit_ma"], said["charge_voltage_limit_mv"]) == (100_000, 56_800)
    assert (said["charge_allowed"], said["discharge_allowed"]) == (True, True)
    cells = [one.value for one in seen if one.field == "cells_mv"]
    assert len(cells) == 16
    assert abs(sum(int(str(cell)) for cell in cells) - int(str(said["voltage_mv"]))) < 200


def test_the_bank_of_the_page_is_served_and_written(folder: Path) -> None:
    """The map serves both ways: others read it, or it is written to them."""
    _, serving, writing = site(folder, "SITE.toml", "serve.toml", "write.toml").links
    (server,), (writer,) = serving.says, writing.says
    assert isinstance(server, BankServer)
    assert isinstance(writer, BankWriter)
    (image,) = server.due(0, view_of(), True)
    assert isinstance(image, Image)
    assert image.tables is not None
    said = read_bank(load_map(folder / "bank.toml"), image.tables)
    assert said["charge_current_limit_ma"] == 150_000
    assert said["current_ma"] == -42_500
    assert image.writable == {100, 101}


def test_a_map_on_the_wrong_side_is_refused(folder: Path) -> None:
    """A bank's map cannot read a pack, nor a pack's be served: one line says which was expected."""
    for part, wrong in (("SITE.toml", "bank.toml"), ("serve.toml", "birch.toml")):
        text = (folder / part).read_text(encoding="utf-8")
        (folder / part).write_text(re.sub(r'map = "\w+', f'map = "{wrong[:-5]}', text))
        with pytest.raises(BadFileError) as caught:
            site(folder, *dict.fromkeys(["SITE.toml", part]))
        assert any('a map with of = "' in line for line in caught.value.complaints)


def test_the_sunspec_example_can_be_copied(tmp_path: Path) -> None:
    """The page's site shows a battery with the pack's ratings."""
    laid_out("sunspec.md", tmp_path)
    _, plan = load_site(tmp_path / "SITE.toml").links
    (server,) = plan.says
    assert isinstance(server, SunSpecServer)
    (image,) = server.due(0, view_of(), True)
    assert isinstance(image, Image)
    assert image.tables is not None
    table = image.tables[3]
    battery = chain([table[at] for at in sorted(table)])[802][0]
    assert min(table) == 40_000
    assert (battery["AHRtg"], battery["AHRtg_SF"]) == (3_140, -1)
    assert isinstance(plan.link(), MessageLink)


def test_a_bank_s_map_is_not_asked_what_a_pack_brings(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a pack's map lacks costs something; a bank's says what it says."""
    assert main(["check", str(folder / "birch.toml")]) == 0
    assert "it does not bring" in capsys.readouterr().out
    assert main(["check", str(folder / "bank.toml")]) == 0
    assert "it does not bring" not in capsys.readouterr().out
