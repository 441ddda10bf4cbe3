"""`python -m tests.rigs.bad_bridge SITE.toml`: a gateway on real buses that does what many do, wrongly.

It adds up the limits that the packs said last: deaf to refusals, to silence, and to how currents
split. Everything else is ours, so that it speaks on every bus.
"""

import asyncio
import sys
from pathlib import Path

from adapters.gateway.journal import Journal
from adapters.gateway.runtime import Gateway
from adapters.gateway.service import serve
from adapters.gateway.site_file import load_site
from adapters.links import Record
from aggregator import PackReport, SystemView
from aggregator.errors import Refusal


class SumsUp(Gateway):
    """The bridge."""

    limits: dict[str, tuple[int, int]]

    def step(self) -> SystemView:
        """Step, and then tell the sums instead."""
        super().step()
        if self.limits:
            charge, discharge = (sum(way) for way in zip(*self.limits.values(), strict=True))
            self.view = self.view.copy()
            self.view.charge_allowed = self.view.discharge_allowed = True
            self.view.charge_current_limit_ma = charge
            self.view.discharge_current_limit_ma = discharge
        return self.view

    def note(self, now_ms: int, record: Record, refusal: Refusal | None) -> None:
        """Keep what a pack said last."""
        if isinstance(record, PackReport):
            self.limits[record.pack] = (
                record.charge_current_limit_ma or 0, record.discharge_current_limit_ma or 0,
            )  # fmt: skip

    def may_speak(self) -> bool:
        """It always speaks."""
        return True

    def may_say_no(self) -> bool:
        return self.may_speak()


def main() -> None:
    """Run it until it is stopped."""
    plan = load_site(Path(sys.argv[1]))
    journal = Journal(sys.stderr)
    bridge = SumsUp(plan.settings, [link.link() for link in plan.links], journal, step_ms=200)
    bridge.limits = {}
    bridge.heard.append(bridge.note)
    asyncio.run(serve(bridge))


if __name__ == "__main__":
    main()
