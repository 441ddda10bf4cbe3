"""Many hands for one campaign: worker processes here, or on a cluster of dask.distributed.

A task is a plain object, and so is what comes of it. A worker is a process of its own that reads
tasks and writes outcomes, one JSON line each (`python -m conformance.crew`), so that a task comes
out the same wherever it runs. A worker that is lost takes nothing with it: its task is done again.
"""

import atexit
import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import threading
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any, Protocol

import conformance

Plain = dict[str, Any]

MOST_LOSSES = 3  # workers that one task may cost: more is no accident
CONNECT_S = 10
STOP_S = 2.0  # a worker gets to end its bridge


class LostError(Exception):
    """A task ended every worker that took it, or the cluster is gone."""


class Crew(Protocol):
    """Whoever does the tasks."""

    def each(self, tasks: Sequence[Plain]) -> Iterator[tuple[int, Plain]]:
        """Yield the number of a task and its outcome, as they are done. Raises LostError."""
        ...

    def close(self) -> None:
        """Send everybody home, done or not."""
        ...


class Worker:
    """One worker process."""

    def __init__(self) -> None:
        root = str(Path(conformance.__file__).parents[1])
        paths = [root, *filter(None, [os.environ.get("PYTHONPATH")])]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "conformance.crew"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,  # Ctrl-C is for us
            # The order of a set of texts is the same in every worker, and so are the stories.
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths), "PYTHONHASHSEED": "0"},
        )

    def send(self, task: Plain) -> None:
        """Give it a task; if it is lost, `receive` will tell."""
        assert self.process.stdin is not None
        with contextlib.suppress(BrokenPipeError):
            self.process.stdin.write(json.dumps(task).encode() + b"\n")
            self.process.stdin.flush()

    def receive(self) -> Plain | None:
        """Wait for the outcome; None: the worker is lost."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        return json.loads(line) if line.endswith(b"\n") else None

    def fileno(self) -> int:
        """Where outcomes arrive, for `select`."""
        assert self.process.stdout is not None
        return self.process.stdout.fileno()

    def close(self) -> None:
        """End it, and its bridge with it."""
        self.process.terminate()
        try:
            self.process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            assert pipe is not None
            with contextlib.suppress(OSError):
                pipe.close()


class LocalCrew:
    """So many worker processes on this machine."""

    def __init__(self, count: int) -> None:
        self.workers = [Worker() for _ in range(count)]

    def each(self, tasks: Sequence[Plain]) -> Iterator[tuple[int, Plain]]:
        waiting = deque(range(len(tasks)))
        busy: dict[Worker, int] = {}
        losses: Counter[int] = Counter()
        while waiting or busy:
            for worker in self.workers:
                if waiting and worker not in busy:
                    busy[worker] = waiting.popleft()
                    worker.send(tasks[busy[worker]])
            for worker in select.select(list(busy), [], [])[0]:
                number = busy.pop(worker)
                outcome = worker.receive()
                if outcome is not None:
                    yield number, outcome
                    continue
                self._replace(worker)
                waiting.appendleft(number)
                losses[number] += 1
                if losses[number] == MOST_LOSSES:
                    raise LostError(f"task {number + 1} ended {MOST_LOSSES} workers")

    def _replace(self, worker: Worker) -> None:
        worker.close()
        self.workers[self.workers.index(worker)] = Worker()

    def close(self) -> None:
        for worker in self.workers:
            worker.close()


class ClusterCrew:
    """The workers of a scheduler of dask.distributed, which does a lost worker's tasks again.

    Every machine has this package, of the same version. Raises ModuleNotFoundError without dask,
    LostError if nobody answers at the address.
    """

    def __init__(self, address: str) -> None:
        self._dask: Any = import_module("distributed")  # an extra
        try:
            client = self._dask.Client
            self._client = client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise LostError(f"no scheduler at {address}") from error

    def each(self, tasks: Sequence[Plain]) -> Iterator[tuple[int, Plain]]:
        futures = {
            self._client.submit(do_here, task, pure=False): number
            for number, task in enumerate(tasks)
        }
        try:
            for future in self._dask.as_completed(futures, loop=self._client.loop):
                yield futures[future], future.result()
        except self._dask.KilledWorker as error:
            raise LostError(f"a task ended every worker that took it: {error}") from error
        finally:
            self._client.cancel(list(futures))

    def close(self) -> None:
        self._client.close()


_one_at_a_time = threading.Lock()
_own: list[Worker] = []  # the worker process of this process, once there is one


def do_here(task: Plain) -> Plain:
    """Do a task in a worker process of our own, which is kept for the next. Raises LostError."""
    with _one_at_a_time:
        for _ in range(MOST_LOSSES):
            if not _own:
                _own.append(Worker())
                atexit.register(_own[0].close)
            _own[0].send(task)
            outcome = _own[0].receive()
            if outcome is not None:
                return outcome
            _own.pop().close()
    raise LostError(f"a task ended {MOST_LOSSES} workers")


def main() -> None:
    """Do tasks from standard input until it ends."""
    from conformance.campaign import do  # what a worker can do

    outcomes = os.dup(sys.stdout.fileno())
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever else prints
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for line in sys.stdin:
        outcome = json.dumps(do(json.loads(line))).encode() + b"\n"
        try:
            while outcome:
                outcome = outcome[os.write(outcomes, outcome) :]
        except BrokenPipeError:
            break  # nobody is waiting for it any more


if __name__ == "__main__":
    main()
