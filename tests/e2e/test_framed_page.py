"""The page on serial frames: its recording can be copied, and its command explains it."""

import re
from pathlib import Path

from tests.e2e.conftest import Command
from tests.framed_board import PAGE


def test_the_page_s_command_explains_its_recording(tmp_path: Path, packyoke: Command) -> None:
    """One whole answer, in which nothing looks wrong; cells in the order of their numbers."""
    for name, text in re.findall(r"^```toml\n# ([\w.]+)(.*?)^```$", PAGE, re.M | re.S):
        (tmp_path / name).write_text("#" + text, encoding="utf-8")
    (recording,) = re.findall(r"^```text\n(.*?)^```$", PAGE, re.M | re.S)
    (tmp_path / "line.txt").write_text(recording, encoding="utf-8")
    (unit,) = re.findall(r"^packyoke check board.toml --sample line.txt (--unit \d+)", PAGE, re.M)
    code, out, _ = packyoke(
        "check", tmp_path / "board.toml", "--sample", tmp_path / "line.txt", *unit.split()
    )
    assert code == 0
    assert "Nothing looks wrong" in out
    assert re.search(r"current_ma .* 425 +-42.5 A", out)
    numbers = [int(found) for found in re.findall(r"u16 no\. (\d+)", out)]
    assert numbers == sorted(numbers) == list(range(1, 17))
