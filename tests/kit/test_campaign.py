"""Campaigns: whoever does the work, and whoever dies over it, the same is found."""

import json
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from distributed import LocalCluster

from adapters.cli import fuzz as fuzz_command
from adapters.cli.main import main
from conformance import crew as crew_module
from conformance.campaign import STORIES, Campaign
from conformance.crew import ClusterCrew, Crew, LocalCrew, LostError

FLAWED = f"stdio:{sys.executable} {Path(__file__).with_name('flawed.py')}"
KILLS_ITS_WORKER = "stdio:sh -c 'kill -9 $PPID'"
CASES = 4 * STORIES + 3


def run(crew: Crew, advance: Callable[[int], object] = lambda _: None) -> Campaign:
    """All the stories of a campaign, told."""
    campaign = Campaign(FLAWED, "protocol", CASES, seed=7)
    with closing(crew):
        campaign.run(crew, advance)
    return campaign


@pytest.fixture(scope="module")
def alone() -> Campaign:
    """What one worker finds."""
    return run(LocalCrew(1))


def test_chunks_are_all_the_cases_each_from_a_seed_of_its_own() -> None:
    """No story is told twice, and none is left out, within a campaign or by the next seed."""
    chunks = [chunk for seed in (0, 1) for chunk in Campaign("self", "wire", CASES, seed).chunks()]
    assert sum(chunk.stories for chunk in chunks) == 2 * CASES
    assert len({chunk.seed for chunk in chunks}) == len(chunks) == 10


def test_two_workers_find_what_one_finds(alone: Campaign) -> None:
    """Stories, requests and failures are the same, of every shape."""
    assert alone.done == CASES
    assert alone.failures
    assert run(LocalCrew(2)) == alone


def test_failures_are_told_once_and_made_shorter() -> None:
    """Of one shape there is one failure, however many chunks met it; its shortest story is the same
    for one worker as for two."""
    found = []
    for count in (1, 2):
        with closing(LocalCrew(count)) as crew:
            campaign = Campaign(FLAWED, "protocol", STORIES)
            campaign.run(crew)
            (long,) = campaign.failures
            campaign.shorten(crew)
            found.append(campaign)
    assert found[0] == found[1]
    (short,) = found[0].failures
    assert short.shape == long.shape
    assert len(str(short.vector)) <= len(str(long.vector))


def test_workers_that_are_killed_change_nothing(alone: Campaign) -> None:
    """Both are ended at once in the middle, one of them at work; their chunks are done again."""
    crew = LocalCrew(2)
    first = [worker.process.pid for worker in crew.workers]
    killed: list[int] = []

    def kill(_: int) -> None:
        if not killed:
            killed.extend(first)
            for pid in first:
                os.kill(pid, signal.SIGKILL)

    assert run(crew, kill) == alone
    assert not {worker.process.pid for worker in crew.workers} & set(killed)


def test_a_chunk_that_ends_every_worker_is_told() -> None:
    """It is not tried for ever."""
    with (
        closing(LocalCrew(1)) as crew,
        pytest.raises(LostError, match="task 1 ended 3 workers"),
    ):
        Campaign(KILLS_ITS_WORKER, "wire", 1).run(crew)


def test_a_cluster_that_loses_a_worker_finds_the_same(alone: Campaign) -> None:
    """Two workers of dask, one of them killed in the middle."""
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        killed: list[int] = []

        def kill(_: int) -> None:
            if not killed:
                killed.append(cluster.workers[0].pid)
                os.kill(killed[0], signal.SIGKILL)

        assert run(ClusterCrew(cluster.scheduler_address), kill) == alone
        assert killed


def test_nobody_at_the_address(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Told in one line."""
    monkeypatch.setattr(crew_module, "CONNECT_S", 0.3)
    assert main(["fuzz", "self", "--cluster", "127.0.0.1:9"]) == 3
    assert capsys.readouterr().err == "packyoke: no scheduler at 127.0.0.1:9\n"


def test_without_dask(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """The extra is named; everything but --cluster works."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(["fuzz", "self", "--cases", "1"]) == 0
    assert main(["fuzz", "self", "--cases", "1", "--cluster", "127.0.0.1:9"]) == 3
    assert "pip install 'packyoke[campaign]'" in capsys.readouterr().err


@pytest.mark.parametrize("target", ["tcp:localhost:5000", "serial:/dev/ttyUSB0"])
def test_what_is_there_only_once(target: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A board or a connection cannot be shared."""
    assert main(["fuzz", target, "--workers", "2"]) == 2
    assert "only self and stdio: can be there more than once" in capsys.readouterr().err


@pytest.mark.parametrize("option", ["--cases", "--workers"])
def test_counts_are_one_or_more(option: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Zero stories find nothing, which would look like a good sign."""
    with pytest.raises(SystemExit):
        main(["fuzz", "self", option, "0"])
    assert "expected 1 or more, got '0'" in capsys.readouterr().err


def test_what_is_known_when_interrupted_is_kept(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C after the first chunk: its failure is printed and written, with the exit code 130."""

    @contextmanager
    def interrupted(what: str, total: int) -> Iterator[Callable[[int], None]]:
        def advance(cases: int) -> None:
            raise KeyboardInterrupt

        yield advance

    monkeypatch.setattr(fuzz_command, "progress", interrupted)
    call = ["fuzz", FLAWED, "--cases", "75", "--json", "--out", str(tmp_path)]
    assert main(call) == 130
    told = capsys.readouterr()
    assert f"interrupted after {STORIES} of 75 cases" in told.err
    known: dict[str, Any] = json.loads(told.out)
    assert known["cases"] == STORIES
    assert [Path(row["vector"]).exists() for row in known["failures"]] == [True]
