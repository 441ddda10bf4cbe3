"""A rig without buses: a bank in this process behind it, which may be made to misbehave."""

from collections.abc import Callable
from typing import Any

from adapters.cli.rig.file import healthy
from adapters.cli.rig.running import LASTS_MS
from aggregator import Aggregator, BankSettings, PackReport, PackSettings
from aggregator.plain import report_from, settings_to_plain
from aggregator.ticks import TICK_MASK
from conformance.buses.stories import stories
from conformance.buses.target import BusTarget
from conformance.judge import Judge, Verdict

Plain = dict[str, Any]
Spoils = Callable[["SimulatedRig", Plain], Plain | None]

SETTINGS = BankSettings(
    [PackSettings("oak"), PackSettings("ash"), PackSettings("fir")],
    fresh_ms=3_000, unheard_ms=8_000, reenable_ms=1_000, settle_ms=1_000, path_settle_ms=1_000,
    recovery_samples=1, ramp_permille_per_s=200,
)  # fmt: skip
TOLD = (
    "charge_current_limit_ma", "charge_allowed", "charge_voltage_limit_mv",
    "discharge_current_limit_ma", "discharge_allowed", "discharge_voltage_limit_mv",
)  # fmt: skip
STEP_MS = 250


class SimulatedRig:
    """Plays packs into a bank; its clock moves only when somebody waits."""

    name, react_ms, lasts_ms = "simulated", 1_000, LASTS_MS

    def __init__(
        self, spoils: Spoils, tells: tuple[str, ...] = TOLD, bank: BankSettings = SETTINGS
    ) -> None:
        self.settings = settings_to_plain(bank)
        self.healthy = healthy(bank)
        self.tells, self.carries = frozenset(tells), frozenset(self.healthy)
        self.now_ms = 0
        self.last: dict[str, Plain] = {}  # what each pack said last, however long ago
        self.noisy = False
        self.dies_ms = TICK_MASK  # from when on it says nothing
        self._until_ms: dict[str, int] = {}
        self._bank = Aggregator(bank)
        self._view = self._bank.step(0)
        self._sample = self._told_ms = 0
        self._spoils = spoils

    def open(self) -> None:
        """There is nothing to open."""

    def close(self) -> None:
        """Nor to close."""

    def play(self, report: Plain) -> Plain:
        """Take a report; everything of it is carried."""
        pack = report["pack"]
        self.last[pack], self._until_ms[pack] = report, self.now_ms + LASTS_MS
        return report

    def noise(self) -> None:
        """Remember that there was noise."""
        self.noisy = True

    def speaks(self, pack: str) -> bool:
        """Does a pack speak now?"""
        return self._until_ms.get(pack, 0) > self.now_ms

    def told(self) -> Plain | None:
        """Return what the bank tells, spoilt."""
        told = self._spoils(self, {name: getattr(self._view, name) for name in TOLD})
        return None if told is None else {name: told[name] for name in self.tells}

    def silent_ms(self) -> int:
        """Time since something was told."""
        if self.told() is not None and self.now_ms < self.dies_ms:
            self._told_ms = self.now_ms
        return self.now_ms - self._told_ms

    def trouble(self) -> str:
        """There is none."""
        return ""

    def wait(self, seconds: float) -> None:
        """Let time pass: packs speak, the bank steps."""
        until_ms = self.now_ms + round(seconds * 1_000)
        while self.now_ms < until_ms:
            self.now_ms = min(until_ms, self.now_ms + STEP_MS)
            self._sample = (self._sample + 1) % 65_536
            for pack, said in self.last.items():
                report = report_from({**said, "sample": self._sample})
                if self.speaks(pack) and isinstance(report, PackReport):
                    assert self._bank.accept(report, self.now_ms & TICK_MASK) is None
            self._view = self._bank.step(self.now_ms & TICK_MASK)


def judged(
    spoils: Spoils, *only: str, tells: tuple[str, ...] = TOLD, bank: BankSettings = SETTINGS
) -> dict[str, Verdict]:
    """Judge a bank spoilt so, by these stories or all; the clock is the rig's."""
    rig = SimulatedRig(spoils, tells, bank)

    def now_s() -> float:
        return rig.now_ms / 1_000

    target = BusTarget(rig, now_s, rig.wait)
    cases = stories(rig.settings, rig.healthy, rig.react_ms, rig.tells)
    judge = Judge(target, rig.wait, now_s)
    return {case.id: judge.one(case) for case in cases if not only or case.id in only}
