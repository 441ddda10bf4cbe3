"""The gateway's loop: links bring records, the bank steps, links are told; until it is stopped.

Whatever a link brings is followed by a step at once, so that a denial is in the next frame that
goes out; besides, the bank steps every `step_ms`. Links run beside it, each as its own task: none
can hold up the step, and one that fails takes nothing else with it.
"""

import asyncio
import contextlib
import time
from collections.abc import Callable, Mapping, Sequence

from adapters.gateway.journal import Journal
from adapters.gateway.keeper import SAVE_EVERY_S, Keeper
from adapters.gateway.recorder import Recorder
from adapters.links import Link, Record, ended, reason
from adapters.readings import Readings
from adapters.registers import OTHERS_SPEAK
from aggregator import Aggregator, BankSettings, BusReport, PackReport, Request, SystemView
from aggregator.errors import Refusal
from aggregator.plain import REQUEST_KEYS
from aggregator.report import LONGEST_MS
from aggregator.ticks import TICK_MASK, since

LOOK_EVERY_S = 1.0  # at the links' counters and the packs' presence
STALL_MS = 2_000  # a loop that was away for longer has let things pile up
CATCH_UP_MS = 3_000  # until what piled up has been read

Watcher = Callable[[int, SystemView], None]
Heard = Callable[[int, Record, Refusal | None], None]


def monotonic_ms() -> int:
    """The host's clock that nobody sets, as the core's counter. It goes on while the host sleeps,
    where there is such a clock (Linux): what was heard before is old."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    gone_ns = time.monotonic_ns() if boot is None else time.clock_gettime_ns(boot)
    return gone_ns // 1_000_000 & TICK_MASK


def _older(age_ms: object, by_ms: int) -> object:
    """Return an age that is so much more; what is no age stays as it is, to be refused."""
    if age_ms is None:
        return by_ms
    return min(age_ms + by_ms, LONGEST_MS) if type(age_ms) is int and age_ms >= 0 else age_ms


class Gateway:
    """One bank among its links; the `Site` that they see."""

    def __init__(
        self,
        settings: BankSettings,
        links: Sequence[Link],
        journal: Journal,
        keeper: Keeper | None = None,
        recorder: Recorder | None = None,
        step_ms: int = 500,
        clock_ms: Callable[[], int] = monotonic_ms,
        readings: Readings | None = None,
    ) -> None:
        self.bank = Aggregator(settings)
        self.links = list(links)
        self.journal = journal
        self.keeper = keeper or Keeper(None)
        # pack -> the link that brings it: nobody else may vouch for a pack that has fallen silent
        self.bringers: Mapping[str, str] = {}
        self.catches_up = True  # after a stall, what had piled up counts as old
        self.quiet = False  # on purpose: nothing goes to a charger
        self.watchers: list[Watcher] = []  # called after every step
        self.readings = readings or Readings()
        self.heard: list[Heard] = [self.readings.heard]  # called for every record
        self._step_s = step_ms / 1_000
        self._clock_ms = clock_ms
        self._news = asyncio.Event()
        self._stopping = False
        self._turned: asyncio.Future[None] | None = None
        self._fresh_ms = settings.fresh_ms
        self._lost = False  # packs were heard, and the last one has fallen silent
        self._lost_ms: int | None = None  # when, for a while
        now_ms = clock_ms()
        self._stepped_ms = now_ms
        self._stall_ms = step_ms + STALL_MS
        self._back: tuple[int, int] | None = None  # when the loop came back, and after how long
        self.view = self.bank.step(now_ms)
        self._recorder = recorder
        if recorder is not None:
            recorder.start(settings, now_ms, self.view)
            self.heard.append(recorder.heard)
            self.watchers.append(recorder.stepped)

    def now_ms(self) -> int:
        """The bank's counter of milliseconds."""
        return self._clock_ms()

    def may_speak(self) -> bool:
        """May a frame go to a charger now? For `fresh_ms` after the last pack fell silent, too: then
        every limit is 0 at once, and a charger that does not hear it would keep to the one before."""
        now_ms = self.now_ms()
        lost = self._lost_ms is not None and self._says_no(now_ms)
        return not self.quiet and (self.bank.may_speak(now_ms) or lost)

    def may_say_no(self) -> bool:
        """Likewise, without an end to it."""
        now_ms = self.now_ms()
        lost = self._lost and self._says_no(now_ms)
        return not self.quiet and (self.bank.may_speak(now_ms) or lost)

    def _says_no(self, now_ms: int) -> bool:
        """Does the bank still step, and allow nothing, and does nobody else have the word?"""
        if not 0 <= since(now_ms, self._stepped_ms) <= self._fresh_ms:
            return False
        view = self.view
        allows = view.charge_allowed or view.discharge_allowed
        return not allows and view.role not in OTHERS_SPEAK

    def take(self, records: Sequence[Record], by: str) -> None:
        """Hand records to the bank; the next step follows at once."""
        now_ms = self.now_ms()
        away_ms = self._away_ms(now_ms)
        for record in records:
            if away_ms and not isinstance(record, Request):
                record.age_ms = _older(record.age_ms, away_ms)  # type: ignore[assignment]  # checked
            if isinstance(record, PackReport):
                if self.bringers.get(record.pack, by) != by:
                    whose = f"reports of {record.pack} come from {self.bringers[record.pack]} alone"
                    self.journal.refused(by, whose)
                    continue
                refusal = self.bank.accept(record, now_ms)
            elif isinstance(record, BusReport):
                refusal = self.bank.bus(record, now_ms)
            else:
                refusal = self.bank.request(record, now_ms)
                self._asked(record, by, refusal)
            if refusal is not None:
                self.journal.refused(by, str(refusal))
            for heard in self.heard:
                heard(now_ms, record, refusal)
        self._news.set()

    def _away_ms(self, now_ms: int) -> int:
        """Return how old what comes now may be, because the loop was away and things piled up below
        the links (buffers of the system and of libraries): 0, unless it has just come back."""
        gone_ms = since(now_ms, self._stepped_ms)
        if not 0 <= gone_ms <= self._stall_ms:
            self._back = (now_ms, gone_ms if 0 < gone_ms < LONGEST_MS else LONGEST_MS)
        if self._back is None or not self.catches_up:
            return 0
        back_ms, away_ms = self._back
        if not 0 <= since(now_ms, back_ms) <= CATCH_UP_MS:
            self._back = None
            return 0
        return away_ms

    def _asked(self, request: Request, by: str, refusal: Refusal | None) -> None:
        """Note what somebody asked for."""
        about = {name: getattr(request, name) for name in REQUEST_KEYS}
        asked = ", ".join(f"{name} {value}" for name, value in about.items() if value is not None)
        why = None if refusal is None else str(refusal)
        text = f"{by}: asked: {asked}" + (f"; refused: {why}" if why else "")
        self.journal.tell("request", text, link=by, refused=why, **about)

    async def turn(self, most_s: float) -> None:
        """Wait for the next step, at most so long."""
        if self._turned is None:
            self._turned = asyncio.get_running_loop().create_future()
        await asyncio.wait([self._turned], timeout=most_s)

    def stop(self) -> None:
        """Stop after this step."""
        self._stopping = True
        self._news.set()

    async def run(self) -> None:
        """Run until `stop`, or until cancelled; then let the links say their last words and keep
        the state."""
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: self.journal.odd(context))
        self._restore()
        tasks = [
            asyncio.create_task(self._kept_running(link), name=link.name) for link in self.links
        ]
        tasks.append(asyncio.create_task(self._look()))
        try:
            await self._steps()
        finally:
            await ended(tasks)
            self._save()
            if self._recorder is not None:
                self._recorder.close()
            self.journal.tell("stopped", "stopped")

    def _restore(self) -> None:
        now_ms = self.now_ms()
        state, what = self.keeper.kept()
        if state is not None:
            refusal = self.bank.restore(state, now_ms)
            if refusal is not None:
                what = self.keeper.put_aside(str(refusal))
            elif self._recorder is not None:
                self._recorder.restored(state, now_ms)
        if what is not None:
            self.journal.tell("state", what)

    async def _steps(self) -> None:
        while not self._stopping:
            self.step()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._step_s):
                    await self._news.wait()
            self._news.clear()

    def step(self) -> SystemView:
        """Step the bank once, and tell everybody who waits."""
        now_ms = self.now_ms()
        spoke = self.view.may_speak  # the next step uses the view again
        self.view = self.bank.step(now_ms)
        self._note_step(now_ms, spoke)
        turned, self._turned = self._turned, None
        if turned is not None and not turned.done():
            turned.set_result(None)
        self.journal.stepped(self.view)
        for watcher in self.watchers:
            watcher(now_ms, self.view)
        return self.view

    def _note_step(self, now_ms: int, spoke: bool) -> None:
        """Note a stall; and when the last pack fell silent: until one speaks, or for `fresh_ms`."""
        self._away_ms(now_ms)
        self._stepped_ms = now_ms
        if self.view.may_speak:
            self._lost, self._lost_ms = False, None
        elif spoke:
            self._lost, self._lost_ms = True, now_ms
        elif self._lost_ms is not None and not (
            0 <= since(now_ms, self._lost_ms) <= self._fresh_ms
        ):
            self._lost_ms = None

    async def _kept_running(self, link: Link) -> None:
        """Run a link; a mistake of ours in one adapter must not silence the others."""
        while True:
            try:
                await link.run(self)
                return
            except Exception as error:  # whatever it is: told, and tried again
                link.counts.trouble = f"{type(error).__name__}: {reason(error)}"
                what = f"{link.name}: failed: {link.counts.trouble}; it is tried again"
                self.journal.tell("link_failed", what, link=link.name, why=link.counts.trouble)
            await asyncio.sleep(5.0)

    async def _look(self) -> None:
        """Tell of links and packs, and keep the state, now and then."""
        saved_s = time.monotonic()
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            self.journal.looked_at(self.links)
            self.journal.packs(self.view)
            if self._recorder is not None and self._recorder.trouble is not None:
                self.journal.tell("trouble", self._recorder.trouble)
                self._recorder = None
            over = time.monotonic() - saved_s >= SAVE_EVERY_S
            if over or self.keeper.must_save(self.bank):
                saved_s = time.monotonic()
                self._save()

    def _save(self) -> None:
        trouble = self.keeper.save(self.bank)
        if trouble is not None:
            self.journal.tell("trouble", trouble)
