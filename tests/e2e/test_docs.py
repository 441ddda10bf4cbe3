"""What the documents say is what happens: code runs, printed results are printed, links resolve."""

import contextlib
import io
import re
from pathlib import Path

import pytest

from adapters.cli.rig.kinds import RIG_KINDS
from adapters.gateway.catalogue import KINDS

ROOT = Path(__file__).parent.parent.parent
PAGES = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md")])
FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks(page: Path) -> list[tuple[str, str]]:
    """Return (language, text) of each fenced block."""
    return FENCE.findall(page.read_text(encoding="utf-8"))


def ran(codes: list[str]) -> str:
    """Run pieces of one program; return what it printed."""
    printed = io.StringIO()
    names: dict[str, object] = {"__name__": "docs"}
    with contextlib.redirect_stdout(printed):
        for code in codes:
            exec(compile(code, "docs", "exec"), names)
    return printed.getvalue()


def test_readme_example_prints_what_it_says() -> None:
    """The ten lines of the README print the line that the README shows."""
    page = ROOT / "README.md"
    printed = ran([code for language, code in blocks(page) if language == "python"])
    shown = re.search(r"^prints `(.+?)`", page.read_text(encoding="utf-8"), re.MULTILINE)
    assert shown is not None
    assert printed.strip() == shown[1]


def test_tutorial_prints_what_it_says() -> None:
    """The tutorial's program prints the tutorial's outputs, in order."""
    found = blocks(ROOT / "docs" / "tutorial" / "your-first-bank.md")
    printed = ran([code for language, code in found if language == "python"])
    assert printed == "".join(text for language, text in found if language == "text")


@pytest.mark.parametrize("name", ["use-the-merge.md", "put-it-on-a-board.md"])
def test_how_to_code_is_valid(name: str) -> None:
    """The how-to pages' Python can be run as far as it goes without a battery."""
    found = blocks(ROOT / "docs" / "how-to" / name)
    codes = [code for language, code in found if language == "python"]
    assert codes
    ran(codes)


def test_how_to_embedding_works() -> None:
    """The embedding example takes readings and sends limits."""
    found = blocks(ROOT / "docs" / "how-to" / "use-the-merge.md")
    names: dict[str, object] = {"__name__": "docs"}
    for language, code in found:
        if language == "python":
            exec(compile(code, "docs", "exec"), names)
    for sample in range(3):
        for pack in ("left", "right"):
            names["on_reading"](pack, sample, 53.2, 1.0, 50.0, [3.325] * 16)  # type: ignore[operator]
    sent: list[tuple[object, ...]] = []
    names["every_second"](lambda *limits: sent.append(limits))  # type: ignore[operator]
    assert len(sent) == 1
    assert sent[0][2] is False  # the dwell still runs


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_resolve(page: Path) -> None:
    """Every link to a file of ours leads to one."""
    for target in re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8")):
        if not target.startswith(("http:", "https:")):
            assert (page.parent / target).exists(), target


def test_readme_opens_with_two_commands() -> None:
    """The first two fenced blocks of the README are the two commands, one line each."""
    first, second, *_ = blocks(ROOT / "README.md")
    assert (first[0], second[0]) == ("sh", "sh")
    assert first[1].count("\n") == second[1].count("\n") == 1


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_numbered_headings_count_from_one(page: Path) -> None:
    """No number is missing, and none comes twice."""
    numbers = re.findall(r"^## (\d+)\. ", page.read_text(encoding="utf-8"), re.MULTILINE)
    assert [int(number) for number in numbers] == list(range(1, len(numbers) + 1))


def test_the_page_on_judging_speaks_of_every_bus() -> None:
    """Whatever a site can hear or say is in the rig's table, or is named as left out of it."""
    text = (ROOT / "docs" / "how-to" / "judge-your-bridge.md").read_text(encoding="utf-8")
    _, _, section = text.partition("On real buses")
    table = section.partition("| on a link of kind")[2].partition("Each takes")[0]
    played = {name for row in RIG_KINDS.values() for name in (*row.load().hears, *row.load().says)}
    for row in KINDS.values():
        for name in {*row.load().hears, *row.load().says} - played:
            assert name.replace("nmea-2000", "NMEA 2000") in section.replace("Contacts", "contacts")
    assert played
    assert all(f"`{name}`" in table for name in played)
