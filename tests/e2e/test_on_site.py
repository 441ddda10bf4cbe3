"""Getting started on site, through the front door: listen, check against a meter, connect, plug."""

import contextlib
import io
import json
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from adapters.cli.main import UNREADABLE, USAGE, main
from adapters.gateway import plug
from adapters.gateway.alone import alone
from adapters.jsonlines.opposite import report_line
from tests.gateway import reading

SITE = """
reenable_ms = 1_000

[[packs]]
pack = "oak"
capacity_mah = 314_000

[[packs]]
pack = "fir"
capacity_mah = 100_000

[gateway]
state = ""

[[links]]
name = "shed"
kind = "tcp"
host = "127.0.0.1"
port = {port}
  [[links.hears]]
  as = "json-lines"
  [[links.says]]
  as = "json-lines"
  period_ms = 100
"""


class Shed:
    """Two packs and a charger behind one socket: tells readings ten times a second, hears views."""

    def __init__(self) -> None:
        self.fields: dict[str, dict[str, object]] = {"oak": {}, "fir": {}}
        self.heard: list[dict[str, object]] = []
        self.told_limit_s = time.monotonic()
        self.at_limits: Callable[[], None] = lambda: None
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.1)
        self.port = self._server.getsockname()[1]
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while not self._end.is_set():
            with contextlib.suppress(OSError):
                peer, _ = self._server.accept()
                with peer:
                    self._talk(peer)

    def _talk(self, peer: socket.socket) -> None:
        sample, rest = 0, b""
        peer.settimeout(0.1)
        while not self._end.is_set():
            sample += 1
            for pack, fields in self.fields.items():
                if fields is not None:
                    peer.sendall(report_line(reading(pack, sample % 65_536, **fields)))
            with contextlib.suppress(TimeoutError):
                chunk = peer.recv(65_536)
                if not chunk:
                    return
                *lines, rest = (rest + chunk).split(b"\n")
                for line in lines:
                    self._hear(json.loads(line))
            self.at_limits()

    def _hear(self, told: dict[str, object]) -> None:
        view = told.get("view")
        if isinstance(view, dict):
            self.heard.append(view)
            if view["charge_current_limit_ma"] is not None:
                self.told_limit_s = time.monotonic()

    def close(self) -> None:
        self._end.set()
        self._thread.join()
        self._server.close()


@pytest.fixture
def shed() -> Iterator[Shed]:
    """Packs that are heard."""
    made = Shed()
    yield made
    made.close()


@pytest.fixture
def site(tmp_path: Path, shed: Shed) -> str:
    """A site's file for them."""
    path = tmp_path / "SITE.toml"
    path.write_text(SITE.format(port=shed.port), encoding="utf-8")
    return str(path)


def test_nobody_listens_in_a_hurry(site: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Real packs have no faster clock."""
    with pytest.raises(SystemExit) as ended:
        main(["run", site, "--listen-only", "--rehearse", "10"])
    assert ended.value.code == 2
    assert "--rehearse: not allowed with argument --listen-only" in capsys.readouterr().err


def test_listening_says_nothing_and_tells_who_was_above_its_limit(
    site: str, shed: Shed, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing at all was sent; what would have been said is told."""
    shed.fields["fir"] = {"current_ma": 65_000}
    assert main(["run", site, "--listen-only", "--lasts", "2", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert shed.heard == []
    assert told["packs"]["fir"]["charge"]["worst_ma"] == 15_000
    assert told["packs"]["oak"]["charge"]["over_s"] == 0
    assert told["would_have_said"]["shed"]["times"] > 3
    assert main(["run", site, "--listen-only", "--lasts", "2"]) == 0
    screen = capsys.readouterr().out
    assert "65.0 A" in screen
    assert "Each pack against its own limit" in screen


def test_running_speaks(site: str, shed: Shed, capsys: pytest.CaptureFixture[str]) -> None:
    """Views go out, and the journal tells in plain words."""
    assert main(["run", site, "--lasts", "2"]) == 0
    assert shed.heard[-1]["may_speak"] is True
    told = capsys.readouterr().err
    assert "oak: here" in told
    assert told.rstrip().endswith("stopped")


def test_a_meter_finds_a_flipped_sign(
    site: str, shed: Shed, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Pack by pack; an answer that is no number is asked again; nothing leaves a pack out."""
    monkeypatch.setattr("sys.stdin", io.StringIO("much\n20,2 A\n-20\n"))
    assert main(["meter", site]) == 1
    out, err = capsys.readouterr()
    assert "oak (it says 20.0 A in): agrees within 1.0%" in out
    assert "fir (it says 20.0 A in): the sign is flipped; set positive" in out
    assert "expected a number such as -12.5, got 'much'" in err
    assert "licensed people" in err


@pytest.mark.parametrize(
    ("fields", "options", "code", "told"),
    [
        ({"voltage_mv": 53_110, "current_ma": 0}, [], 0, "the voltages do not speak against it"),
        (
            {"voltage_mv": 51_000, "current_ma": 0},
            [],
            1,
            "charge the pack alone until the voltages are within",
        ),
        (
            {"voltage_mv": 53_110},
            ["--cells", "15"],
            1,
            "packs of 15 and 16 cells must never be connected",
        ),
        ({"voltage_mv": 53_110}, ["--voltage", "50"], 1, "up to 390 A into the pack"),
    ],
)
def test_may_a_pack_join(
    site: str, shed: Shed, capsys: pytest.CaptureFixture[str],
    fields: dict[str, object], options: list[str], code: int, told: str,
) -> None:  # fmt: skip
    """By the voltages that are heard, or typed."""
    shed.fields["oak"] = {"current_ma": 0}
    shed.fields["fir"] = fields
    assert main(["connect", site, "fir", "--listen", "1", *options]) == code
    assert told in capsys.readouterr().out


def test_an_unknown_pack_is_one_line(site: str, capsys: pytest.CaptureFixture[str]) -> None:
    """With the names that are known."""
    assert main(["connect", site, "elm"]) == 1
    assert "no pack 'elm'; known: oak, fir" in capsys.readouterr().err


@pytest.mark.parametrize(
    "option",
    ["--voltage=nan", "--voltage=inf", "--voltage=-5", "--cells=0", "--cells=99", "--milliohm=0"],
)
def test_an_absurd_number_is_refused_before_anybody_listens(
    site: str, option: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line with the range, and no traceback once it comes to be used."""
    with pytest.raises(SystemExit) as ended:
        main(["connect", site, "fir", "--listen", "0.1", option])
    assert ended.value.code == USAGE
    name, _, value = option.partition("=")
    told = capsys.readouterr().err
    assert f"argument {name}: expected " in told
    assert f"got '{value}'" in told


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Shorter waits for the plug."""
    monkeypatch.setattr(plug, "STEADY_MS", 1_000)
    monkeypatch.setattr(plug, "STAYS_MS", 500)


@pytest.mark.usefixtures("hasty")
def test_the_plug_is_pulled_and_the_charger_is_timed(
    site: str, shed: Shed, capsys: pytest.CaptureFixture[str]
) -> None:
    """A charger that stops two seconds after the last limit it heard."""

    def charger() -> None:
        silent_s = time.monotonic() - shed.told_limit_s
        for pack in shed.fields:
            shed.fields[pack] = {"current_ma": 0 if silent_s > 2.0 else 20_000}

    shed.at_limits = charger
    assert main(["plug", site, "--yes", "--json"]) == 0
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert told["state"] == "stopped"
    assert 1_500 <= told["took_ms"] <= 4_000
    assert "pulling the plug: silent" in err


@pytest.mark.usefixtures("hasty")
def test_a_charger_that_goes_on_is_told(
    site: str, shed: Shed, capsys: pytest.CaptureFixture[str]
) -> None:
    """With what to do about it; and without a yes nothing is done."""
    assert main(["plug", site, "--yes", "--longest", "1.5"]) == 1
    assert "do not stop by themselves" in capsys.readouterr().out


def test_without_a_yes_nothing_is_done(
    site: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Silence towards chargers is asked for twice."""
    monkeypatch.setattr("sys.stdin", io.StringIO("no\n"))
    assert main(["plug", site]) == 1
    assert "nothing was done" in capsys.readouterr().err


def test_nothing_compared_is_nothing_proved(
    site: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where nobody answers, as without a terminal, no current passes for checked."""
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main(["meter", site]) == 1
    assert "not compared: oak, fir" in capsys.readouterr().err


def test_two_gateways_never_speak_for_one_bank(
    site: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The second is refused, with the first one's process; who only listens is told."""
    path = Path(site)
    path.write_text(path.read_text().replace('state = ""', 'state = "kept.json"'), encoding="utf-8")
    with alone(path.parent / "kept.json"):
        for command in (["run", site, "--lasts", "1"], ["plug", site, "--yes"]):
            assert main(command) == UNREADABLE
            told = capsys.readouterr().err
            assert f"kept.json: another packyoke runs with it, process {os.getpid()}: " in told
        assert main(["run", site, "--listen-only", "--lasts", "1"]) == 0
        assert "another packyoke runs at this site" in capsys.readouterr().err
    assert main(["run", site, "--lasts", "1"]) == 0


def test_a_folder_that_is_not_there_is_told_at_once(
    site: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """And not only when the state is first to be kept."""
    path = Path(site)
    path.write_text(path.read_text().replace('state = ""', 'state = "no/s.json"'), encoding="utf-8")
    assert main(["run", site, "--lasts", "0.1"]) == 0
    first, second, *_ = capsys.readouterr().err.splitlines()
    assert "hears and speaks" in first
    assert "s.json: cannot be kept: its folder is not there" in second
