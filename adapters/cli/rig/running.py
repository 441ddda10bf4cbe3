"""A rig at work: its links run in a thread of their own, and are spoken to from the judge's."""

import asyncio
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from adapters.cli.rig.ears import Ear
from adapters.cli.rig.file import Plain, RigPlan
from adapters.cli.rig.voices import NOBODY, Players
from adapters.links import Link, Record, ended
from aggregator.ticks import TICK_MASK

Answer = TypeVar("Answer")

LASTS_MS = 1_500  # a pack goes on saying a report for so long: a little longer than between two
OPEN_S = 10.0  # a bus that is not open by then does not open
CALL_S = 10.0
LOOK_S = 0.05


class RunningRig:
    """The buses around a bridge (conformance.buses.target.Rig)."""

    lasts_ms = LASTS_MS

    def __init__(self, plan: RigPlan) -> None:
        self.name, self.settings, self.react_ms = plan.name, plan.settings, plan.react_ms
        self.healthy, self.tells, self.carries = plan.healthy, plan.tells, plan.carries
        self._plan = plan
        self._links: list[Link] = []
        self._players: dict[str, Players] = {}
        self._ears: list[Ear] = []
        self._opened_ms = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None

    def open(self) -> None:
        """Open every bus. Raises OSError: which did not open, and why."""
        self._links, self._players, self._ears = [], {}, []
        for link in self._plan.links:
            self._links.append(link.link())
            self._ears += [one for one in link.says if isinstance(one, Ear)]
            for one in link.hears:
                assert isinstance(one, Players)
                self._players |= dict.fromkeys(one.voices, one)
        started = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(started,), name="rig", daemon=True)
        self._thread.start()
        started.wait()
        until_s = time.monotonic() + OPEN_S
        while any(link.counts.opened == 0 for link in self._links):
            if time.monotonic() > until_s:
                trouble = self._not_open()
                self.close()
                raise OSError(trouble)
            time.sleep(LOOK_S)
        self._opened_ms = self.now_ms()
        for opened in self._links:
            opened.counts.trouble = None  # from the first attempts

    def _not_open(self) -> str:
        link = next(link for link in self._links if link.counts.opened == 0)
        return f"{link.name}: {link.counts.trouble or 'it does not open'}"

    def _run(self, started: threading.Event) -> None:
        asyncio.run(self._all(started))

    async def _all(self, started: threading.Event) -> None:
        """Run the links until `close`."""
        self._loop = asyncio.get_running_loop()
        self._stopped = asyncio.Event()
        tasks = [asyncio.create_task(link.run(self)) for link in self._links]
        started.set()
        stopped = asyncio.create_task(self._stopped.wait())
        try:
            await asyncio.wait([*tasks, stopped], return_when=asyncio.FIRST_COMPLETED)
        finally:
            await ended([*tasks, stopped])

    def close(self) -> None:
        """Leave every bus."""
        thread, self._thread = self._thread, None
        if thread is not None and self._loop is not None:
            self._loop.call_soon_threadsafe(self._stopped.set)
            thread.join(CALL_S)

    def _call(self, does: Callable[[], Answer]) -> Answer:
        """Do something in the links' thread. Raises OSError: it has ended."""
        if self._thread is None or self._loop is None or not self._thread.is_alive():
            raise OSError("the rig has stopped: a link of it failed")

        async def call() -> Answer:
            return does()

        return asyncio.run_coroutine_threadsafe(call(), self._loop).result(CALL_S)

    # ---- What the judge asks for.

    def play(self, report: Plain) -> Plain:
        """Let a pack say a report; return what the bus carries of it."""
        pack = str(report["pack"])
        players = self._players[pack]
        carried = players.carried(pack, report)
        if carried is None:
            raise OSError(f"{pack}: its map cannot say this report")
        self._call(lambda: players.says(pack, report, self.now_ms(), LASTS_MS))
        return carried

    def noise(self) -> None:
        """Let every pack's line garble what was said on it last."""
        for players in set(self._players.values()):
            self._call(players.garble)

    def told(self) -> Plain | None:
        """Return the most that any charger is told, field by field; None: nobody anything yet."""
        said = self._call(lambda: [ear.told(self.now_ms()) for ear in self._ears])
        found: Plain = dict.fromkeys(self.tells)
        if all(one is None for one in said):
            return None
        for one, ear in zip(said, self._ears, strict=True):
            for name in ear.fields:
                found[name] = _looser(name, found[name], (one or {}).get(name))
        return found

    def silent_ms(self) -> int:
        """Return how long some charger has been told nothing."""
        now_ms = self.now_ms()
        return self._call(lambda: max(ear.silent_ms(now_ms, self._opened_ms) for ear in self._ears))

    def trouble(self) -> str:
        """Return which pack could not say its report, or which bus was lost."""
        for players in self._players.values():
            if players.trouble:
                return players.trouble
        for link in self._links:
            lost = link.counts.trouble and not link.counts.dropped
            if lost or link.counts.opened > 1:
                return f"{link.name}: the bus was lost: {link.counts.trouble}"
        return ""

    # ---- What the links see (links.Site).

    view = NOBODY

    def now_ms(self) -> int:
        """This machine's counter."""
        return time.monotonic_ns() // 1_000_000 & TICK_MASK

    def take(self, records: Sequence[Record], by: str) -> None:
        """Nothing that comes is for a bank."""

    def may_speak(self) -> bool:
        """Always."""
        return True

    def may_say_no(self) -> bool:
        """Likewise."""
        return self.may_speak()

    async def turn(self, most_s: float) -> None:
        """Wait."""
        await asyncio.sleep(most_s)


def _looser(name: str, one: Any, other: Any) -> Any:
    """Return what allows more, of what two chargers are told."""
    if one is None or other is None:
        return other if one is None else one
    return min(one, other) if name == "discharge_voltage_limit_mv" else max(one, other)
