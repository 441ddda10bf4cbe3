"""A first site's file by answering questions: every choice gives a file that is right as it stands."""

import io
from pathlib import Path

import pytest

from adapters.cli.main import main
from adapters.gateway.first_site import HEARS, SAYS, Answers, PackAnswer, site_text
from adapters.gateway.site_file import load_site
from adapters.toml_file import BadFileError

PACKS = [PackAnswer("oak", 314_000), PackAnswer("fir", 99_500)]


@pytest.mark.parametrize("hears", HEARS)
@pytest.mark.parametrize("says", SAYS)
def test_every_choice_gives_a_site_that_only_lacks_its_maps(
    tmp_path: Path, hears: str, says: str
) -> None:
    """What is missing is the owner's own map, and nothing else."""
    path = tmp_path / "SITE.toml"
    path.write_text(
        site_text(Answers(PACKS, 16, 100_000, None, "battery", hears, says)), encoding="utf-8"
    )
    if hears == "lines" and says in ("rv-c", "sunspec", "homie", "nobody"):
        plan = load_site(path)
        assert [pack.capacity_mah for pack in plan.settings.packs] == [314_000, 99_500]
        assert plan.settings.charge_current_ceiling_ma == 100_000
        return
    with pytest.raises(BadFileError) as caught:
        load_site(path)
    assert all(".toml: cannot be read: No such file" in line for line in caught.value.complaints)


def answered(text: str, path: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """Run init with these answers, a line each."""
    monkeypatch.setattr("sys.stdin", io.StringIO(text))
    return main(["init", str(path)])


def test_questions_are_asked_until_they_are_answered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong answer is told and asked again; an empty one takes what is usual."""
    path = tmp_path / "SITE.toml"
    lines = "two\n2\n\nOak\noak\n314\noak\nfir\n-1\n99,5\n120\n\n2\n5\n9\n6\n"
    assert answered(lines, path, monkeypatch) == 0
    asked = capsys.readouterr().err
    for complaint in (
        "expected a whole number 1..64, got 'two'",
        "expected 1..16 characters of a-z 0-9 -, got 'Oak'",
        "expected a name that no other pack has, got 'oak'",
        "expected a number above 0, up to 2000, got '-1'",
        "expected a whole number 1..6, got '9'",
    ):
        assert complaint in asked
    plan = load_site(path)
    assert [(one.pack, one.capacity_mah) for one in plan.settings.packs] == [
        ("oak", 314_000),
        ("fir", 99_500),
    ]
    assert plan.settings.charge_current_ceiling_ma == 120_000
    assert plan.settings.charger_limits == "output"


def test_a_file_that_is_there_is_never_overwritten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is asked, either."""
    path = tmp_path / "SITE.toml"
    path.write_text("mine")
    assert answered("", path, monkeypatch) == 1
    assert "is there already" in capsys.readouterr().err
    assert path.read_text() == "mine"


def test_an_early_end_writes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half an answer is no site."""
    path = tmp_path / "SITE.toml"
    assert answered("2\n", path, monkeypatch) == 1
    assert "nothing was written" in capsys.readouterr().err
    assert not path.exists()
