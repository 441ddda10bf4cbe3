"""`packyoke simulate`: a day on one screen, as JSON, as a picture."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from adapters.cli.main import FINE, FOUND, UNREADABLE
from adapters.cli.screens import WIDTH

Command = Callable[..., tuple[int, str, str]]


def test_a_day_is_told_on_one_screen(noon: Path, packyoke: Command) -> None:
    code, out, err = packyoke("simulate", noon / "noon.toml", "--plain-sum", "--all-knowing")
    assert code == FINE
    assert err == ""
    assert out.startswith("two packs at noon (invented data): 2 packs, 6 min 40 s, seed 1\n")
    lines = out.splitlines()
    assert max(len(line) for line in lines) <= WIDTH
    assert len(lines) <= 40
    for words in ("held by, longest first", "room left", "summed limits", "all-knowing"):
        assert words in out


def test_the_same_seed_gives_the_same_day(noon: Path, packyoke: Command) -> None:
    days = [packyoke("simulate", noon / "noon.toml", "--json", "--seed", n)[1] for n in (5, 5, 6)]
    assert days[0] == days[1]
    assert days[0] != days[2]


def test_a_day_as_json_has_a_line_for_each_limiter(noon: Path, packyoke: Command) -> None:
    _, out, _ = packyoke("simulate", noon / "noon.toml", "--json", "--plain-sum")
    days = [json.loads(line) for line in out.splitlines()]
    assert [day["limiter"] for day in days] == ["headroom", "plain_sum"]
    for day in days:
        assert {one["pack"] for one in day["packs"]} == {"oak", "fir"}
        assert sum(day["stage_s"].values()) == pytest.approx(400)


def test_the_picture_is_a_png_of_sensible_size(noon: Path) -> None:
    data = (noon / "noon.png").read_bytes()
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big")
    assert 800 <= width <= 1_600
    assert 800 <= height <= 1_600
    assert 10_000 < len(data) < 150_000


def test_a_picture_that_cannot_be_written_is_refused_before_the_day(
    noon: Path, packyoke: Command
) -> None:
    for name, code in (("nowhere/day.png", UNREADABLE), ("day.bmp", FOUND)):
        got, out, err = packyoke("simulate", noon / "noon.toml", "--plot", noon / name)
        assert (got, out) == (code, "")
        assert err.count("\n") == 1
        assert name in err


def test_without_matplotlib_the_remedy_is_told(
    noon: Path, packyoke: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("adapters.cli.picture.find_spec", lambda name: None)
    code, _, err = packyoke("simulate", noon / "noon.toml", "--plot", noon / "day.png")
    assert code == UNREADABLE
    assert err == "packyoke: --plot needs matplotlib: pip install 'packyoke[plot]'\n"


def test_the_how_to_s_scenario_is_fine_and_its_fault_is_seen(
    tmp_path: Path, packyoke: Command
) -> None:
    """The page's own file, cut to the hour it talks about."""
    page = Path(__file__).parents[2] / "docs" / "how-to" / "simulate-a-day.md"
    text = page.read_text(encoding="utf-8").split("```toml\n")[1].split("```")[0]
    day = tmp_path / "day.toml"
    day.write_text(text, encoding="utf-8")
    assert packyoke("check", day)[0] == FINE
    hour = text.replace("seed = 1", "seed = 1\nstart_s = 35_400\nduration_s = 1_800")
    hour = hour.replace("36_000", "600").replace("36_600", "1_200")
    day.write_text(hour, encoding="utf-8")
    code, out, _ = packyoke("simulate", day, "--json", "--save", tmp_path / "day.log.gz")
    assert code == FINE
    assert json.loads(out)["binding_s"]["charge_current"]["unheard"] > 500
    _, out, _ = packyoke("why", "charge-current", tmp_path / "day.log.gz", "--at", "0:19")
    assert "a silent pack, still connected" in out
