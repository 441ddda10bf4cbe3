"""A first site's file by answering questions: every choice gives a file that is right as it stands."""

import io
import re
from itertools import count
from pathlib import Path

import pytest

from adapters.cli.main import main
from adapters.gateway.first_maps import STARTERS
from adapters.gateway.first_site import HEARS, SAYS, Answers, PackAnswer, map_texts, site_text
from adapters.gateway.site_file import load_site
from adapters.toml_file import BLANK, BadFileError


def packs(hears: str) -> list[PackAnswer]:
    """Two of one make."""
    like = "oak" if hears != "lines" else ""
    return [PackAnswer("oak", 314_000, hears), PackAnswer("fir", 99_500, hears, like)]


@pytest.mark.parametrize("hears", HEARS)
@pytest.mark.parametrize("says", SAYS)
def test_every_choice_gives_a_site_that_only_lacks_what_its_owner_knows(
    tmp_path: Path, hears: str, says: str
) -> None:
    """Its maps stand beside it; every complaint is of a line of theirs that is to be filled in."""
    path = tmp_path / "SITE.toml"
    answers = Answers(packs(hears), 16, 100_000, None, "battery", says)
    path.write_text(site_text(answers), encoding="utf-8")
    maps = map_texts(answers)
    for name, text in maps.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    if not maps:
        plan = load_site(path)
        assert [pack.capacity_mah for pack in plan.settings.packs] == [314_000, 99_500]
        assert plan.settings.charge_current_ceiling_ma == 100_000
        return
    with pytest.raises(BadFileError) as caught:
        load_site(path)
    blanks = [
        f"{tmp_path / name}:{number}"
        for name, text in maps.items()
        for number, line in enumerate(text.splitlines(), 1)
        if f'= "{BLANK}"' in line
    ]
    assert sorted(line.split(": ")[0] for line in caught.value.complaints) == sorted(blanks)
    assert all("expected your own, got " in line for line in caught.value.complaints)


FILLED = {
    "dbc": '"made.dbc"', "message": '"ALL"', "positive": '"discharge"', "period_ms": "500",
    "word_order": '"low_first"', "function": "4", "type": '"u16"', "unit": '"V"', "scale": "0.1",
    "order": '"little"', "request": '"AA addr"', "start": '"AA"', "length": "90", "kind": '"xor"',
    "topic": '"shed/{pack}"', "bit": "0",
}  # fmt: skip
UNITS = {"ma": "A", "mv": "V", "permille": "%", "decic": "K"}


def filled_in(text: str) -> str:
    """Return a starter map as an owner might fill it in (invented), each number in a place of its own."""
    places = count(1)

    def fill(line: str) -> str:
        field = re.search(r'field = "\w+_(\w+)"', line)
        for key in re.findall(rf'(\w+) = "{re.escape(BLANK)}"', line):
            value = FILLED.get(key) or f"{2 * next(places)}"
            if key == "unit" and field:
                value = f'"{UNITS[field[1]]}"'
            if key in ("signal", "pointer"):
                value = f'"{"/" if key == "pointer" else "S"}{value}"'
            line = line.replace(f'{key} = "{BLANK}"', f"{key} = {value}", 1)
        return line

    return "\n".join(fill(line) for line in text.splitlines())


def dbc(units: str) -> str:
    """Return a DBC with the signals that `filled_in` names."""
    signals = "".join(
        f' SG_ S{2 * number} : {32 * number - 32}|16@1+ (0.1,0) [0|0] "{unit}" B\n'
        for number, unit in enumerate([*units.split(), "", ""], 1)
    )
    return f'VERSION ""\nBU_: A B\nBO_ 768 ALL: 64 A\n{signals}'


@pytest.mark.parametrize("name", STARTERS)
def test_a_starter_map_that_was_filled_in_is_a_map(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """Written by `init --map`, refused until every blank is filled in, and then right as it stands."""
    path = tmp_path / "made.toml"
    assert main(["init", str(path), "--map", name]) == 0
    assert main(["check", str(path)]) == 1
    assert f'got "{BLANK}"; fill it in' in capsys.readouterr().err
    before = path.read_text(encoding="utf-8")
    assert main(["init", str(path), "--map", name]) == 1
    assert path.read_text(encoding="utf-8") == before
    if name.endswith("dbc"):
        bank = name == "bank-dbc"
        (tmp_path / "made.dbc").write_text(dbc("A A V V" if bank else "V A % V V K K A A V V"))
    path.write_text(filled_in(before), encoding="utf-8")
    assert main(["check", str(path)]) == 0, capsys.readouterr().err


def test_a_map_that_is_there_is_left_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """And told."""
    (tmp_path / "oak.toml").write_text("mine", encoding="utf-8")
    lines = "2\n\noak\n314\n1\nfir\n100\n2\n\n\n\n6\n"
    assert answered(lines, tmp_path / "SITE.toml", monkeypatch) == 0
    said = capsys.readouterr().out
    assert "To be filled in from the makers' papers: fir.toml." in said
    assert "Left as it was: oak.toml." in said
    assert (tmp_path / "oak.toml").read_text(encoding="utf-8") == "mine"


def test_each_make_has_a_line_and_a_map_of_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Packs of one make share a map; two makes on serial lines of their own get a port each; once the
    maps are filled in, the site is right."""
    lines = "5\n\n" + "".join(
        f"{name}\n100\n{how}\n"
        for name, how in (("oak", 2), ("ash", 1), ("elm", 4), ("fir", 5), ("yew", 7))
    )
    assert answered(lines + "\n\n\n6\n", tmp_path / "SITE.toml", monkeypatch) == 0
    assert "papers: oak.toml, elm.toml, fir.toml, yew.toml.\n" in capsys.readouterr().out
    for name in ("oak", "elm", "fir", "yew"):
        path = tmp_path / f"{name}.toml"
        path.write_text(filled_in(path.read_text(encoding="utf-8")), encoding="utf-8")
    found = [
        (link.name, getattr(link.settings, "port", None), len(link.hears))
        for link in load_site(tmp_path / "SITE.toml").links
    ]
    assert found == [
        ("packs 1", "/dev/ttyUSB0", 2), ("packs 2", "/dev/ttyUSB1", 1),
        ("packs 3", "/dev/ttyUSB2", 1), ("packs 4", 1883, 1),
    ]  # fmt: skip


def answered(text: str, path: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """Run init with these answers, a line each."""
    monkeypatch.setattr("sys.stdin", io.StringIO(text))
    return main(["init", str(path)])


def test_questions_are_asked_until_they_are_answered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A wrong answer is told and asked again; an empty one takes what is usual."""
    path = tmp_path / "SITE.toml"
    lines = "two\n2\n\nOak\noak\n314\n5\noak\nfir\n-1\n99,5\n\n120\n\n2\n9\n6\n"
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


def test_a_folder_that_is_not_there_is_told_before_the_first_question(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nobody answers a dozen questions for nothing."""
    assert main(["init", str(tmp_path / "none" / "SITE.toml")]) == 3
    out, err = capsys.readouterr()
    assert "How many packs" not in out + err
    assert "SITE.toml: cannot be written: its folder is not there" in err
