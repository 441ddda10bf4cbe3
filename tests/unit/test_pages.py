"""The reference pages are what the tables print today."""

import pytest

from tests.pages import FOLDER, PAGES


@pytest.mark.parametrize("name", PAGES)
def test_page_is_current(name: str) -> None:
    """A page in docs/reference/ is what the core's tables print; else run python -m tests.pages."""
    assert (FOLDER / name).read_text(encoding="utf-8") == PAGES[name]()


@pytest.mark.parametrize("name", PAGES)
def test_page_has_no_hole(name: str) -> None:
    """Every row of every reference page says something in its last column but one or two."""
    for line in PAGES[name]().splitlines():
        if line.startswith("| `"):
            cells = [cell.strip() for cell in line.strip("|").split("|")]
            assert any(len(cell) > 3 for cell in cells[1:]), line
