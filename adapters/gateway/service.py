"""A gateway as a service: made from a site's file, stopped by signals, known to systemd."""

import asyncio
import contextlib
import logging
import os
import signal
import socket
import time
from collections.abc import Callable

from adapters.gateway.alone import other_speaks
from adapters.gateway.journal import Journal
from adapters.gateway.keeper import Keeper
from adapters.gateway.listening import Muted, Watch
from adapters.gateway.recorder import Recorder
from adapters.gateway.runtime import Gateway, monotonic_ms
from adapters.gateway.site_file import SitePlan
from adapters.links import ended
from aggregator.ticks import TICK_MASK

ALIVE_EVERY_S = 2.0
FOLLOWED = ("charger_ignores_limit",)  # nobody follows whom he cannot hear


def rehearsed(speed: float) -> Callable[[], int]:
    """Return a clock that runs so many times as fast, for rehearsals with simulated packs."""
    return lambda: int(time.monotonic_ns() * speed) // 1_000_000 & TICK_MASK


def speaking(
    plan: SitePlan, journal: Journal, clock_ms: Callable[[], int] = monotonic_ms
) -> Gateway:
    """Return the gateway that a site asks for. With another clock it is a rehearsal: what simulated
    packs taught it is not taken for the real ones', so it neither reads nor keeps any state, and its
    history is a file of its own."""
    chosen = plan.gateway
    rehearsal = clock_ms is not monotonic_ms
    record = plan.file(plan.record(rehearsal))
    gateway = Gateway(
        plan.settings,
        [link.link() for link in plan.links],
        journal,
        Keeper(None if rehearsal else plan.file(chosen.state)),
        None if record is None else Recorder(record, chosen.record_mb),
        chosen.step_ms,
        clock_ms,
        plan.readings,
    )
    gateway.catches_up = not rehearsal
    gateway.bringers = plan.bringers
    return gateway


def listening(plan: SitePlan, journal: Journal) -> tuple[Gateway, Watch, list[Muted]]:
    """Return a gateway that hears what the site hears and says nothing, and what watches it.

    It keeps no state: what is learned while another controls the chargers is not ours.
    """
    muted = [Muted(link.name, link.says) for link in plan.links if link.says]
    heard = [link.ear() for link in plan.links if link.hears]
    gateway = Gateway(
        plan.settings,
        [*heard, *muted],
        journal,
        step_ms=plan.gateway.step_ms,
        readings=plan.readings,
    )
    gateway.quiet = True
    journal.beside_the_point = FOLLOWED
    gateway.bringers = plan.bringers
    watch = Watch()
    gateway.heard.append(watch.heard)
    gateway.watchers.append(watch.stepped)
    return gateway, watch, muted


def warn_of_another(plan: SitePlan, journal: Journal) -> None:
    """Tell that a gateway runs already, to those who only want to listen."""
    if other_speaks(plan.file(plan.gateway.state)):
        journal.tell("another", "another packyoke runs at this site: what only one can open (a serial"
                     " line, a port) stays closed to this one; stop that one first")  # fmt: skip


class LibraryLog(logging.Handler):
    """What libraries log, and Python's warnings, told by the journal in its own form."""

    def __init__(self, journal: Journal) -> None:
        super().__init__(logging.WARNING)
        self._journal = journal

    def emit(self, record: logging.LogRecord) -> None:
        """Tell one record."""
        self._journal.library(f"{record.name}: {record.getMessage()}")


def tell_of_libraries(journal: Journal) -> None:
    """Let libraries complain through this journal from now on, and no longer through another."""
    root = logging.getLogger()
    for handler in [one for one in root.handlers if isinstance(one, LibraryLog)]:
        root.removeHandler(handler)
    root.addHandler(LibraryLog(journal))
    logging.captureWarnings(True)


async def serve(gateway: Gateway, lasts_s: float | None = None) -> None:
    """Run until SIGINT or SIGTERM, until the terminal is closed (SIGHUP, if nohup does not have it
    ignored), or so long; then stop cleanly."""
    loop = asyncio.get_running_loop()
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)  # Windows has no SIGHUP, and no such handlers
        if number is not None and (name != "SIGHUP" or signal.getsignal(number) != signal.SIG_IGN):
            with contextlib.suppress(NotImplementedError):
                loop.add_signal_handler(number, gateway.stop)
    if lasts_s is not None:
        loop.call_later(lasts_s, gateway.stop)
    alive = asyncio.create_task(_alive(gateway))
    try:
        await gateway.run()
    finally:
        _notify("STOPPING=1")
        await ended([alive])


async def _alive(gateway: Gateway) -> None:
    """Tell systemd that we are ready, and that the bank still steps, if it wants to know."""
    _notify("READY=1")
    while True:
        await gateway.turn(ALIVE_EVERY_S)
        _notify("WATCHDOG=1")
        await asyncio.sleep(ALIVE_EVERY_S)


def _notify(state: str) -> None:
    """Send systemd a state (sd_notify(3): a datagram to $NOTIFY_SOCKET), outside it nothing."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if address:
        where = "\0" + address[1:] if address.startswith("@") else address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.sendto(state.encode(), where)
