"""A bank to tell stories about: packs speak, time passes, limits are read.

    site = Site("oak", "fir")             two healthy packs of 100 A, nothing heard yet
    site.runs(60)                         a minute in which both report every second
    site.says("oak", current_ma=20_000)   from now on oak reports so
    site.falls_silent("fir")              from now on fir reports nothing
    assert site.binding("charge_current") == ("unheard", "fir")

All numbers are invented, chosen so that the arithmetic can be done in the head.
"""

from adapters.readings import Readings
from aggregator import (
    Aggregator,
    BankSettings,
    Cap,
    PackReport,
    PackRow,
    PackSettings,
    Refusal,
    Request,
    StageSettings,
    SystemView,
)

# What a pack says until told otherwise: at rest, half full, 100 A either way.
HEALTHY: dict[str, object] = {
    "voltage_mv": 53_000,
    "current_ma": 0,
    "cell_min_mv": 3_310,
    "cell_max_mv": 3_315,
    "temperature_min_decic": 200,
    "temperature_max_decic": 220,
    "soc_permille": 500,
    "soh_permille": 980,
    "charge_allowed": True,
    "discharge_allowed": True,
    "charge_path_closed": True,
    "discharge_path_closed": True,
    "charge_voltage_limit_mv": 57_600,
    "discharge_voltage_limit_mv": 44_000,
    "charge_current_limit_ma": 100_000,
    "discharge_current_limit_ma": 100_000,
}
READY_S = 60  # recovery, re-enable dwell and the ramp to the top fit into this


class Site:
    """A bank with its packs and a clock. `packs`: names, or PackSettings; the rest: BankSettings.

    Without a margin unless told otherwise, so that sums come out round.
    """

    def __init__(self, *packs: str | PackSettings, start_ms: int = 0, **settings: object) -> None:
        settings.setdefault("margin_permille", 0)
        records = [
            PackSettings(pack, capacity_mah=200_000) if isinstance(pack, str) else pack
            for pack in packs
        ]
        self.bank = Aggregator(BankSettings(records, **settings))  # type: ignore[arg-type]
        self.now_ms = start_ms
        self.words = {record.pack: dict(HEALTHY) for record in records}
        self.samples = {record.pack: 0 for record in records}
        self.silent: set[str] = set()
        self.readings = Readings()
        self.view = self.bank.step(start_ms)

    # Packs.

    def says(self, *packs: str, **fields: object) -> None:
        """From now on these packs (none named: all of them) report so."""
        for pack in packs or self.words:
            self.words[pack].update(fields)

    def falls_silent(self, *packs: str) -> None:
        """From now on these packs report nothing."""
        self.silent.update(packs)

    def speaks(self, *packs: str) -> None:
        """From now on these packs report again."""
        self.silent.difference_update(packs)

    def reports(self, pack: str, **fields: object) -> Refusal | None:
        """One report with the next sample number, now; `fields` are for this one only."""
        self.samples[pack] = (self.samples[pack] + 1) % 65_536
        words = {"sample": self.samples[pack], **self.words[pack], **fields}
        report = PackReport(pack, **words)  # type: ignore[arg-type]
        refusal = self.bank.accept(report, self.now_ms)
        self.readings.heard(self.now_ms, report, refusal)
        return refusal

    # Time.

    def runs(self, seconds: float, every_s: float = 1) -> SystemView:
        """Let time pass: every `every_s` all packs that speak report, then the bank steps."""
        for _ in range(round(seconds / every_s)):
            self.now_ms += round(every_s * 1_000)
            for pack in self.words:
                if pack not in self.silent:
                    assert self.reports(pack) is None
            self.view = self.bank.step(self.now_ms)
        return self.view

    def is_ready(self) -> "Site":
        """Run until every limit has come all the way up."""
        self.runs(READY_S)
        return self

    # Asking.

    def asks(self, kind: str, **fields: object) -> Refusal | None:
        """The owner asks, now."""
        return self.bank.request(Request(kind, **fields), self.now_ms)  # type: ignore[arg-type]

    def binding(self, limit: str) -> tuple[str, str | None]:
        """The rule that binds a limit, and the pack it names."""
        cap = self.bank.why(limit)[0]
        return cap.rule, cap.pack

    def caps(self, limit: str) -> dict[str, Cap]:
        """Every cap on a limit by its rule."""
        return {cap.rule: cap for cap in self.bank.why(limit)}

    def row(self, pack: str) -> PackRow:
        """How the view shows one pack."""
        return next(row for row in self.view.packs if row.pack == pack)

    def findings(self) -> set[tuple[str, str | None]]:
        """What is found now."""
        return {(found.name, found.pack) for found in self.view.findings}


def day(**stages: object) -> Site:
    """Two packs at rest in bulk, and a short day: 1 min of absorption, starts at any time."""
    settings: dict[str, object] = {
        "absorption_ms": 60_000,
        "restart_min_interval_ms": 0,
        **stages,
    }
    return Site("oak", "fir", stages=StageSettings(**settings)).is_ready()  # type: ignore[arg-type]


def reason(site: Site) -> str:
    """The name of the transition that was taken last (the view shows only what comes next)."""
    why: str = site.bank._bank.stages.why
    return why


def in_absorption(**stages: object) -> Site:
    """A bank that has just come to absorption."""
    site = day(**stages)
    site.says(voltage_mv=55_200)
    site.runs(10)
    assert site.view.stage == "absorption"
    return site


def in_float(**stages: object) -> Site:
    """A bank that has just come to float, and rests there."""
    site = in_absorption(**stages)
    site.runs(60)
    assert site.view.stage == "float"
    site.says(voltage_mv=53_600)
    return site


def two(oak: dict[str, object], fir: dict[str, object]) -> Site:
    """A site where both packs have just said so."""
    site = Site("oak", "fir")
    site.says("oak", **oak)
    site.says("fir", **fir)
    site.runs(5)
    return site
