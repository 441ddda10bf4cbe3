"""A gateway for tests: a site's file, a journal that is kept, a link that is played by hand."""

import asyncio
import io
from collections.abc import Sequence

from adapters.counts import Counts
from adapters.gateway.journal import Journal
from adapters.gateway.runtime import Gateway
from adapters.links import Site, Talker
from aggregator import BankSettings, PackReport, PackSettings

SETTINGS = BankSettings(
    [PackSettings("oak", capacity_mah=314_000), PackSettings("fir", capacity_mah=100_000)]
)


class HandLink:
    """A link on which the test itself brings records."""

    def __init__(self, name: str = "hand") -> None:
        self.name = name
        self.counts = Counts()
        self.talkers: Sequence[Talker[object]] = ()
        self.site: Site | None = None

    async def run(self, site: Site) -> None:
        self.site = site
        self.counts.opened += 1
        await asyncio.sleep(3_600)


def reading(pack: str, sample: int, **fields: object) -> PackReport:
    """Return a healthy pack's report."""
    known: dict[str, object] = {
        "voltage_mv": 53_120, "current_ma": 20_000, "cell_min_mv": 3_310, "cell_max_mv": 3_330,
        "temperature_min_decic": 200, "temperature_max_decic": 220, "soc_permille": 600,
        "charge_allowed": True, "discharge_allowed": True, "charge_path_closed": True,
        "discharge_path_closed": True, "charge_voltage_limit_mv": 57_000,
        "discharge_voltage_limit_mv": 45_000, "charge_current_limit_ma": 50_000,
        "discharge_current_limit_ma": 50_000,
    }  # fmt: skip
    return PackReport(pack, sample, **(known | fields))  # type: ignore[arg-type]  # plain fields


class Clock:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.ms = 1_000

    def __call__(self) -> int:
        return self.ms


def gateway(clock: Clock, *links: HandLink, as_json: bool = False) -> tuple[Gateway, io.StringIO]:
    """Return a gateway, and what its journal writes."""
    out = io.StringIO()
    return Gateway(SETTINGS, links, Journal(out, as_json, lambda: 0.0), clock_ms=clock), out


VIEW = gateway(Clock())[0].view
