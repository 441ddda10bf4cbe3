"""What a gateway keeps on disk: the state that survives a restart, and the history."""

import asyncio
import io
import time
from pathlib import Path

import pytest

from adapters.cli.main import main
from adapters.gateway.journal import Journal
from adapters.gateway.keeper import Keeper
from adapters.gateway.recorder import Recorder
from adapters.gateway.runtime import Gateway
from adapters.gateway.service import rehearsed, speaking
from adapters.gateway.site_file import load_site
from adapters.log import replay
from aggregator import Request
from conformance.device import Device
from tests.gateway import SETTINGS, Clock, reading


def test_state_survives_a_restart(tmp_path: Path) -> None:
    """A wish that holds until it is cleared holds in the next gateway, too."""
    keeper = Keeper(tmp_path / "state.json")
    first = Gateway(SETTINGS, [], Journal(io.StringIO()), keeper)
    first.take([Request("stop_charge", source="phone")], "hand")
    assert keeper.save(first.bank) is None
    second = Gateway(SETTINGS, [], Journal(io.StringIO()), keeper)
    second._restore()
    second.step()
    assert "owner_stop" in [cap.rule for cap in second.bank.why("charge_current")]


def test_a_stop_survives_a_loss_of_power(tmp_path: Path) -> None:
    """It is on disk a moment later, not at the end of the minute; what runs out by itself can wait."""

    async def ran(request: Request) -> bool:
        bank = Gateway(SETTINGS, [], Journal(io.StringIO()), keeper)
        bank.take([request], "hand")
        running = asyncio.create_task(bank.run())
        await asyncio.sleep(0.1)
        text = path.read_text() if path.exists() else ""
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
        path.unlink()
        return request.kind in text

    path = tmp_path / "state.json"
    keeper = Keeper(path)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("adapters.gateway.runtime.LOOK_EVERY_S", 0.01)
        assert asyncio.run(ran(Request("stop_charge", source="phone")))
        keeper = Keeper(path)
        passing = Request("cap_charge_current", value=1_000, lasts_ms=60_000, source="phone")
        assert not asyncio.run(ran(passing))


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '{"version": 99}', "\x00\xff", "[" * 100_000]
)
def test_a_state_that_cannot_be_used_is_put_aside(tmp_path: Path, text: str) -> None:
    """It is kept under another name, told, and the bank starts anew."""
    path = tmp_path / "state.json"
    path.write_text(text, encoding="latin-1")
    out = io.StringIO()
    bank = Gateway(SETTINGS, [], Journal(out), Keeper(path))
    bank._restore()
    assert "put aside as state.json.unusable, starting anew" in out.getvalue()
    assert (tmp_path / "state.json.unusable").read_text(encoding="latin-1") == text
    assert not path.exists()


def test_a_state_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """In one line that names the file."""
    bank = Gateway(SETTINGS, [], Journal(io.StringIO()))
    trouble = Keeper(tmp_path / "no such folder" / "state.json").save(bank.bank)
    assert trouble is not None
    assert "state.json: cannot be written: No such file" in trouble


def test_the_history_replays_bit_for_bit(tmp_path: Path) -> None:
    """Every view that was kept is the one that the driver-protocol device gives for the same log."""
    clock, log = Clock(), tmp_path / "bank.log"
    bank = Gateway(SETTINGS, [], Journal(io.StringIO()), None, Recorder(log, 10), clock_ms=clock)
    for sample in range(1, 200):
        clock.ms += 700
        bank.take([reading("oak", sample, current_ma=200 * sample)], "hand")
        bank.take([reading("fir", sample, soc_permille=2_000 if sample == 7 else 600)], "hand")
        bank.step()
    assert bank._recorder is not None
    bank._recorder.close()
    device = Device()
    with log.open() as lines:
        agreed, difference = replay(lines, "bank.log", device.answer, device.answer)
    assert difference is None
    assert agreed >= 3


def test_a_rehearsal_keeps_no_state(tmp_path: Path) -> None:
    """What simulated packs taught the bank is not taken for the real ones', nor is their day."""
    site = tmp_path / "SITE.toml"
    site.write_text('cell_count = 16\n[[packs]]\npack = "oak"\n[[links]]\nname = "in"\n'
                    'kind = "tcp"\nhost = "127.0.0.1"\nport = 9\n[[links.hears]]\nas = "json-lines"\n')  # fmt: skip
    plan, journal = load_site(site), Journal(io.StringIO())
    speaking(plan, journal, rehearsed(60))._save()
    assert not (tmp_path / "packyoke-state.json").exists()
    speaking(plan, journal)._save()
    assert (tmp_path / "packyoke-state.json").exists()


def test_a_rehearsal_keeps_its_history_apart(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Through `packyoke run`: the site's own log stays as it was, and the first line names the other."""
    site = tmp_path / "SITE.toml"
    site.write_text('cell_count = 16\n[[packs]]\npack = "oak"\n[gateway]\nrecord = "kept/bank.log"\n[[links]]\n'
                    'name = "in"\nkind = "tcp"\nhost = "127.0.0.1"\nport = 9\n[[links.hears]]\nas = "json-lines"\n')  # fmt: skip
    own = tmp_path / "kept" / "bank.log"
    own.parent.mkdir()
    assert main(["run", str(site), "--lasts", "0.1"]) == 0
    before = own.read_bytes()
    capsys.readouterr()
    assert main(["run", str(site), "--lasts", "0.1", "--rehearse", "60"]) == 0
    told = capsys.readouterr().err
    assert "history in kept/rehearsal-bank.log;" in told
    assert "the site's own state and history are left alone" in told
    assert own.read_bytes() == before
    assert (own.parent / "rehearsal-bank.log").read_bytes().startswith(b'{"op":"reset"')


def test_a_full_history_stops_and_says_so(tmp_path: Path) -> None:
    """It does not fill the disk."""
    clock, log = Clock(), tmp_path / "bank.log"
    recorder = Recorder(log, 1)
    bank = Gateway(SETTINGS, [], Journal(io.StringIO()), None, recorder, clock_ms=clock)
    sample = 0
    while recorder.trouble is None and sample < 10_000:
        sample += 1
        bank.take([reading("oak", sample % 65_536)], "hand")
    assert recorder.trouble is not None
    assert "as large as record_mb allows" in recorder.trouble
    assert log.stat().st_size < 1_100_000


def told_to(log: Path, clock: Clock, samples: int, most_mb: int = 10) -> Recorder:
    """Record a bank that hears so many readings, and stop."""
    recorder = Recorder(log, most_mb)
    bank = Gateway(SETTINGS, [], Journal(io.StringIO()), None, recorder, clock_ms=clock)
    for sample in range(samples):
        clock.ms += 700
        bank.take([reading("oak", sample)], "hand")
        bank.step()
    recorder.close()
    return recorder


def test_a_start_goes_on_in_the_history_that_is_there(tmp_path: Path) -> None:
    """A restart, also one after a crash in the middle of a line, does not cost what came before."""
    log, clock = tmp_path / "bank.log", Clock()
    told_to(log, clock, 5)
    before = log.read_bytes()
    log.write_bytes(before + b'{"op":"report","pa')
    told_to(log, clock, 5)
    assert log.read_bytes().startswith(before)
    device = Device()
    with log.open() as lines:
        agreed, difference = replay(lines, "bank.log", device.answer, device.answer)
    assert (agreed >= 2, difference) == (True, None)
    assert log.read_text(encoding="ascii").count('"op":"reset"') == 2


@pytest.mark.parametrize("name", ["bank.log", "bank.log.gz"])
def test_a_history_that_is_full_or_packed_is_put_aside(tmp_path: Path, name: str) -> None:
    """What a crash tore off cannot be found in a packed one; a full one would take nothing more."""
    log = tmp_path / name
    full = b'{"op":"reset"}\n' + b"#" * 1_000_000
    log.write_bytes(full)
    told_to(log, Clock(), 5, most_mb=1)
    assert (tmp_path / f"before-{name}").read_bytes() == full
    assert 0 < log.stat().st_size < 100_000


def test_a_file_that_is_no_history_is_left_alone(tmp_path: Path) -> None:
    """Whatever the owner named by mistake is not written over."""
    log = tmp_path / "brook.toml"
    log.write_text("kind = 'dbc'", encoding="utf-8")
    recorder = told_to(log, Clock(), 5)
    assert recorder.trouble == f"{log}: not recorded: a file that is no log of ours is there"
    assert log.read_text(encoding="utf-8") == "kind = 'dbc'"


def test_a_full_disk_ends_the_history_and_not_the_bank(tmp_path: Path) -> None:
    """Whether the disk is full when a line is written, or only when it is pushed out."""
    log = tmp_path / "bank.log"
    log.symlink_to("/dev/full")
    recorder = told_to(log, Clock(), 100)
    assert recorder.trouble == f"{log}: recording stopped: No space left on device"


def test_the_history_tells_the_time_of_day(tmp_path: Path) -> None:
    """Once a minute, in a remark that names the time as `view --at` takes it."""
    log, clock = tmp_path / "bank.log", Clock()
    clock.ms = 3_600_000
    recorder = Recorder(log, 10, wall=lambda: 1_700_000_000.0)
    bank = Gateway(SETTINGS, [], Journal(io.StringIO()), None, recorder, clock_ms=clock)
    for _ in range(65):
        clock.ms += 1_000
        bank.step()
    recorder.close()
    remarks = [line for line in log.read_text(encoding="ascii").splitlines() if line[0] == "#"]
    assert [line.split(" is ")[1] for line in remarks] == [
        "1:00:00 in this log", "1:01:00 in this log",
    ]  # fmt: skip
    assert time.strftime("%Y-%m-%dT%H:%M:%S", time.localtime(1_700_000_000)) in remarks[0]
