"""SITE.toml: what a site may say, and every mistake in one pass."""

from pathlib import Path

import pytest

from adapters.gateway import catalogue
from adapters.gateway.kind import Row
from adapters.gateway.site_file import load_site
from adapters.toml_file import BadFileError

SITE = """
[[packs]]
pack = "oak"
capacity_mah = 314_000

[[packs]]
pack = "fir"
capacity_mah = 100_000

[gateway]
step_ms = 250
state = ""

[[links]]
name = "line"
kind = "tcp"
host = "127.0.0.1"
port = 7001

  [[links.hears]]
  as = "json-lines"

  [[links.says]]
  as = "json-lines"
  period_ms = 500
"""


def complaints(folder: Path, text: str) -> list[str]:
    """Return what is said about a site, without the file's name."""
    path = folder / "SITE.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadFileError) as caught:
        load_site(path)
    return [line.removeprefix(str(path)) for line in caught.value.complaints]


def test_a_site_is_read(tmp_path: Path) -> None:
    """Settings, the gateway's own, and links with what is heard and said."""
    path = tmp_path / "SITE.toml"
    path.write_text(SITE, encoding="utf-8")
    plan = load_site(path)
    assert [pack.pack for pack in plan.settings.packs] == ["oak", "fir"]
    assert (plan.gateway.step_ms, plan.file(plan.gateway.state)) == (250, None)
    (link,) = plan.links
    assert (link.name, len(link.hears), len(link.says)) == ("line", 1, 1)
    assert link.link().name == "line"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("step_ms = 250", "step_ms = 5", ":11: gateway.step_ms: expected 50..10000 ms, got 5"),
        ("step_ms", "steps_ms", 'did you mean "step_ms"?'),
        ('kind = "tcp"', 'kind = "tpc"', ":16: links[1].kind: expected one of ble, can, "),
        ("port = 7001", "port = 70010", ":18: links[1].port: expected 1..65535, got 70010"),
        ("port = 7001", "", ":14: links[1].port: expected a value, got nothing"),
        ('as = "json-lines"\n\n', 'as = "json"\n\n', ":21: links[1].hears[1].as: expected one of frames, json-lines"),
        ("period_ms = 500", "period_ms = 1", ":25: links[1].says[1].period_ms: expected 50..3600000 ms, got 1"),
        ('name = "line"', "", ":14: links[1].name: expected a name, each link its own, got null"),
        ('pack = "fir"', 'pack = "FIR"', ":7: packs[2].pack: expected 1..16 characters of a-z 0-9 -"),
        ("[[links.says]]", "[[links.say]]", ':23: links[1].say: expected a key of this table, got "say"; did you mean "says"?'),
        ("[[links]]", "[links]", "links: expected tables headed [[links]]"),
    ],
)  # fmt: skip
def test_each_mistake_is_told_with_its_line_and_key(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    """What was expected, what was got, and what may help."""
    assert any(told in line for line in complaints(tmp_path, SITE.replace(old, new, 1)))


def test_all_mistakes_are_told_in_one_pass(tmp_path: Path) -> None:
    """In the bank's settings, the gateway's, a link and a talker at once."""
    wrong = SITE.replace("step_ms = 250", "step_ms = 5").replace("7001", "70010")
    wrong = wrong.replace("period_ms = 500", "period_ms = 1").replace("314_000", "-1")
    lines = [int(line.split(":")[1]) for line in complaints(tmp_path, wrong)]
    assert lines == [4, 11, 18, 25]


FRAMES = SITE.replace(
    'as = "json-lines"\n\n',
    'as = "frames"\nmap = "board.toml"\npacks = { oak = 1, elm = 2 }\n\n',
    1,
)


def test_packs_that_nobody_brings_or_that_are_not_there(tmp_path: Path) -> None:
    """A pack without a link would be silent for ever: it is told before."""
    (tmp_path / "board.toml").write_text(
        'kind = "frames"\n[[frames]]\nname = "a"\nstart = "AA addr"\nlength = 4\n[[frames.fields]]\nat = 2\nfield = "voltage_mv"\n'
    )
    path = _site(tmp_path, FRAMES.replace("elm", "fir"))
    assert load_site(path).bringers == {"oak": "line", "fir": "line"}
    told = complaints(tmp_path, FRAMES)
    assert any(
        'packs[2].pack: expected a pack that some link hears, got "fir"; add a' in one
        for one in told
    )
    assert any('links[1].hears[1].pack: expected one of oak, fir, got "elm"' in one for one in told)
    twice = (
        FRAMES.replace("elm", "fir")
        + '\n[[links]]\nname = "two"\nkind = "tcp"\nhost = "a"\nport = 1\n[[links.hears]]\nas = "frames"\nmap = "board.toml"\npacks = { fir = 1 }\n'
    )
    assert any(
        "expected a pack that no other link brings" in one for one in complaints(tmp_path, twice)
    )


def test_a_map_s_mistakes_are_told_with_the_map_s_lines(tmp_path: Path) -> None:
    """They stand beside the site's own."""
    (tmp_path / "board.toml").write_text('kind = "frames"\nframes = []\n')
    told = complaints(tmp_path, FRAMES.replace("step_ms = 250", "step_ms = 5"))
    assert any("board.toml:2: frames: expected 1..32 frames, got 0" in one for one in told)
    assert any("gateway.step_ms" in one for one in told)
    missing = complaints(tmp_path, FRAMES.replace("board.toml", "bored.toml"))
    assert any("bored.toml: cannot be read: No such file or directory" in one for one in missing)


def test_a_missing_extra_is_one_line_with_the_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The line names what to install."""
    row = catalogue.KINDS["tcp"]
    monkeypatch.setitem(catalogue.KINDS, "tcp", Row(row.load, "radio", ("no_such_module",)))
    told = complaints(tmp_path, SITE)
    assert any(
        ":16: links[1].kind: expected no_such_module to be installed, got no such module; "
        "pip install 'packyoke[radio]'" in one for one in told
    )  # fmt: skip


@pytest.mark.parametrize("kind", catalogue.KINDS)
def test_every_kind_loads(kind: str) -> None:
    """With its settings, and with something to hear or to say; a page of metrics has neither."""
    loaded = catalogue.KINDS[kind].load()
    assert loaded.hears or loaded.says or kind == "metrics"


TWO = """
[[packs]]
pack = "oak"
[[packs]]
pack = "fir"
[[links]]
name = "van"
LINK
"""
CAN = 'kind = "can"\n'
LINE = 'kind = "modbus-tcp"\nhost = "127.0.0.1"\n'


@pytest.mark.parametrize(
    ("link", "heard", "other"),
    [
        (CAN, 'as = "rv-c"\ninstance = 10', "instance = 11"),
        (CAN, 'as = "nmea-2000"\ninstance = 1', "instance = 2"),
        (CAN, 'as = "dbc"\nmap = "m.toml"\nid_offset = 1', "id_offset = 2"),
        (CAN, 'as = "dbc"\nmap = "m.toml"\nonly = { Unit = 1 }', "only = { Unit = 2 }"),
        (LINE, 'as = "registers"\nmap = "m.toml"\ndevice = 1', "device = 2"),
    ],
)
def test_one_packs_numbers_do_not_count_for_two(
    tmp_path: Path, link: str, heard: str, other: str
) -> None:
    """A block that was copied, and of which only the name was changed, would double a pack's limits
    and leave the other pack unheard without anybody noticing."""
    said = "a pack of its own, got the numbers of one above"
    first = f'[[links.hears]]\npack = "oak"\n{heard}\n'
    copied = f'[[links.hears]]\npack = "fir"\n{heard}\n'
    others = copied.replace(heard.splitlines()[-1], other)
    for second, expected in ((copied, 1), (others, 0)):
        text = TWO.replace("LINK", link + first + second)
        try:
            load_site(_site(tmp_path, text))
            found = []
        except BadFileError as caught:
            found = [line for line in caught.complaints if said in line]
        assert len(found) == expected


def _site(folder: Path, text: str) -> Path:
    path = folder / "SITE.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_nobody_takes_back_what_another_asked_for(tmp_path: Path) -> None:
    """Two inverters that may stop the bank ask under names of their own: else one that connects
    would clear the other's stop."""
    server = '[[links]]\nname = "{0}"\nkind = "modbus-tcp-server"\nport = {1}\n[[links.says]]\nas = "sunspec"\nrated_capacity_mah = 100000\n'
    text = SITE + server.format("left", 1502) + server.format("right", 1503)
    found = complaints(tmp_path, text)
    assert [line for line in found if 'a source of its own, got "sunspec"' in line]
    load_site(_site(tmp_path, text + 'source = "right inverter"\n'))
    load_site(_site(tmp_path, text + "obeys = false\n"))


def test_there_is_one_meter_on_the_common_bus(tmp_path: Path) -> None:
    """The readings of two would be taken for those of one that jumps."""
    meter = '[[links.hears]]\nas = "nmea-2000"\ninstance = {0}\n'
    found = complaints(tmp_path, TWO.replace("LINK", CAN + meter.format(1) + meter.format(2)))
    assert [line for line in found if "one meter on the common bus, got a second one" in line]
    found = complaints(tmp_path, TWO.replace("LINK", CAN + meter.format(1)))
    assert not [line for line in found if "meter" in line]


@pytest.mark.parametrize(
    ("state", "record", "told"),
    [
        ("", "SITE.toml", "gateway.record: expected a file of its own, got the site's own file"),
        ("./SITE.toml", "", "gateway.state: expected a file of its own, got the site's own file"),
        ("bank.log", "bank.log", "gateway.record: expected a file of its own, got the file of state"),
    ],
)  # fmt: skip
def test_the_gateway_writes_over_no_file_of_the_site(
    tmp_path: Path, state: str, record: str, told: str
) -> None:
    """Neither the site's own, nor one over the other."""
    text = SITE.replace('state = ""', f'state = "{state}"\nrecord = "{record}"')
    assert any(told in one for one in complaints(tmp_path, text))


def test_a_map_that_is_not_there_is_told_where_it_is_asked_for(tmp_path: Path) -> None:
    """With file, line, key and what to do; for every talker that asks for it."""
    talker = '[[links.hears]]\nas = "frames"\nmap = "none.toml"\npacks = { oak = 1, fir = 2 }\n'
    (told,) = complaints(tmp_path, SITE[: SITE.index("  [[links.hears]]")] + talker)
    assert told.startswith(":22: links[1].hears[1].map: expected a map that is there, got ")
    assert told.endswith("packyoke init FILE --map KIND; docs/how-to/map-a-bus-you-know.md")


def test_a_map_is_not_taken_for_a_site(tmp_path: Path) -> None:
    """One line, and not all its keys as mistakes."""
    (told,) = complaints(tmp_path, 'kind = "dbc"\ndbc = "brook.dbc"\n')
    assert told.startswith(": expected a site, got a map")


def test_packs_that_are_no_list_are_one_mistake(tmp_path: Path) -> None:
    """And not one more about a pack that the owner never wrote."""
    site = '[packs]\npack = "oak"\n[gateway]\n'
    (told,) = complaints(tmp_path, site)
    assert told.endswith("got a dict; a list of tables is headed in double brackets")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('as = "json-lines"', 'as = "jsonlines"', 'got "jsonlines"'),
        ('as = "json-lines"', "", "got nothing"),
        ('kind = "tcp"', "", "got nothing"),
        ('as = "json-lines"', 'as = "json-lines"\nlongest_line = "x"', 'got "x"'),
    ],
)
def test_nobody_is_missed_whose_link_cannot_be_understood_yet(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    """A link that is half written is told itself, alone: not that its packs are brought by nobody."""
    site = """[[packs]]\npack = "oak"\n[[links]]\nname = "in"\nkind = "tcp"\nhost = "127.0.0.1"
port = 9\n[[links.hears]]\nas = "json-lines"\n"""
    (only,) = complaints(tmp_path, site.replace(old, new))
    assert told in only


def test_a_driver_of_can_that_nobody_knows_is_a_mistake_of_the_file(tmp_path: Path) -> None:
    """Not one of the morning on which the gateway runs."""
    text = SITE.replace(
        'kind = "tcp"\nhost = "127.0.0.1"\nport = 7001', 'kind = "can"\ninterface = "soketcan"'
    )
    expected = (
        'links[1].interface: expected a driver of python-can, perhaps socketcan, got "soketcan"'
    )
    assert f":17: {expected}" in complaints(tmp_path, text)
