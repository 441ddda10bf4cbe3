"""The pages on JSON lines, RV-C and contacts: their examples can be copied, and do what they say."""

import json
import re
import socket
from pathlib import Path
from typing import Any

import pytest

from adapters.contacts.levels import Contacts
from adapters.contacts.pins import Output, Pins
from adapters.gateway.site_file import SitePlan, load_site
from adapters.jsonlines.lines_in import LinesIn
from adapters.links import MessageLink
from aggregator import Aggregator, BankSettings, PackReport, PackSettings
from aggregator.view import SystemView

PAGES = Path(__file__).parents[2] / "docs" / "how-to"
PACKS = '[[packs]]\npack = "oak"\n\n'


def block(page: str, language: str) -> str:
    """The one block of a language on a page."""
    text = (PAGES / page).read_text(encoding="utf-8")
    (found,) = re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    return str(found)


def site(page: str, folder: Path, packs: str = PACKS, more: str = "") -> SitePlan:
    """The site with a page's link."""
    (folder / "SITE.toml").write_text(packs + block(page, "toml") + more, encoding="utf-8")
    return load_site(folder / "SITE.toml")


def code(page: str) -> dict[str, object]:
    """The names that a page's program defines."""
    names: dict[str, object] = {"__name__": "docs"}
    exec(compile(block(page, "python"), page, "exec"), names)
    return names


@pytest.mark.parametrize(
    ("page", "hears", "says"),
    [("json-lines.md", 1, 1), ("rv-c.md", 1, 1)],
)
def test_examples_can_be_copied(page: str, hears: int, says: int, tmp_path: Path) -> None:
    """The link of the page, with the packs it speaks of, is a site."""
    (plan,) = site(page, tmp_path).links
    assert (len(plan.hears), len(plan.says)) == (hears, says)
    assert isinstance(plan.link(), MessageLink)


def test_the_contacts_example_needs_only_packs_from_elsewhere(tmp_path: Path) -> None:
    """The contacts' link stands beside one that brings the packs."""
    brings = '\n[[links]]\nname = "in"\nkind = "stdio"\n[[links.hears]]\nas = "json-lines"\n'
    contacts, _ = site("contacts.md", tmp_path, more=brings).links
    assert isinstance(contacts.says[0], Contacts)
    assert isinstance(contacts.link(), MessageLink)


def test_the_lines_shown_are_taken() -> None:
    """Each line of the page is a message, and the shown refusal is what is answered."""
    lines = block("json-lines.md", "json").encode()
    assert len(LinesIn().received(lines, 0)) == 3
    text = (PAGES / "json-lines.md").read_text(encoding="utf-8")
    shown = re.search(r'`(\{"error":.*?\})`', text)
    assert shown is not None
    talker = LinesIn()
    talker.received(b'{"pack":"oak","soc_permille":1200}\n', 0)
    assert talker.due(0, SystemView(["oak"]), False) == [shown[1].encode() + b"\n"]


def test_the_boards_program_hears_packs() -> None:
    """The page's lines for a microcontroller feed a bank."""
    names = code("json-lines.md")
    bank = Aggregator(BankSettings([PackSettings("oak")]))
    for now_ms in (1_000, 2_000, 3_000):  # as many readings as a pack must give to count
        names["take_uart"](bank, b'{"pack":"oak","voltage_mv":53000}\n', now_ms)  # type: ignore[operator]
        bank.step(now_ms)
    assert bank.step(3_100).voltage_mv == 53_000


def test_the_boards_program_drives_pins() -> None:
    """The page's lines for a microcontroller open contacts at once."""
    names = code("contacts.md")
    bank = Aggregator(BankSettings([PackSettings("oak")]))

    class Level(Output):
        level = 1

        def value(self, level: int) -> None:
            self.level = level

    pin = Level()
    names["drive"](Pins({"charge": pin}), bank, bank.step(0), 0)  # type: ignore[operator]
    assert pin.level == 0


def test_the_first_program_brings_readings() -> None:
    """The page's program for a link that listens tells what is taken as readings."""
    names: dict[str, Any] = {"__name__": "docs"}
    exec(compile(block("json-lines.md", "py"), "json-lines.md", "exec"), names)
    reading = json.loads(block("json-lines.md", "json").splitlines()[0])
    came = iter([[reading], [reading | {"sample": 18, "pack": "fir"}]])
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        with pytest.raises(StopIteration):  # `came` has no more
            names["bring"](lambda: next(came), port=port, every_s=0.0)
        peer, _ = server.accept()
        with peer:
            records = LinesIn().received(peer.recv(65_536), 0)
    assert [record.pack for record in records if isinstance(record, PackReport)] == ["oak", "fir"]
