"""A folder with a short day in it, and the command line as a function."""

import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from adapters.cli import main
from adapters.cli.main import FINE

Command = Callable[..., tuple[int, str, str]]

SCENARIO = """\
title = "two packs at noon (invented data)"
start_s = 43_200
duration_s = 400

[[packs]]
pack = "oak"
charge = 0.5

[[packs]]
pack = "fir"
capacity_ah = 100
charge_limit_a = 50
discharge_limit_a = 60

[bank]
reenable_ms = 0
"""


@pytest.fixture(scope="session", autouse=True)
def interrupts_that_reach_processes() -> Iterator[None]:
    """Started in the background the tests ignore SIGINT, and so would processes that they start."""
    inherited = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, inherited)


@pytest.fixture(scope="session")
def noon(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a scenario, its log and its picture, as `simulate` makes them."""
    folder = tmp_path_factory.mktemp("noon")
    (folder / "noon.toml").write_text(SCENARIO, encoding="utf-8")
    arguments = ["simulate", str(folder / "noon.toml"), "--save", str(folder / "noon.log")]
    assert main([*arguments, "--plot", str(folder / "noon.png")]) == FINE
    return folder


@pytest.fixture
def packyoke(capsys: pytest.CaptureFixture[str]) -> Command:
    """Return a function that runs one command: exit code, standard output, standard error."""

    def run(*arguments: object) -> tuple[int, str, str]:
        capsys.readouterr()
        try:
            code = main([str(one) for one in arguments])
        except SystemExit as ended:  # argparse: usage, help, version
            code = int(ended.code or 0)
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return code, out, err

    return run
