"""How the split of the charge current is moving, and how far it goes before a charger has followed.

At the knee packs share anew within minutes, by up to half an ampere a second, while a loop may take
half a minute from a reading to the current that answers it. So what a pack took over a window beyond
an even part of what the total rose by is expected to go on for that long (docs/explanation/headroom.md).
The packs' last words count here, whoever is late or silent by now: a lost report changes nothing.
"""

from .pack import Pack

WINDOW_MS = 10_000
REACTION_S = 30  # readings every 5 s, 20 s of latency, and half a window
MOST_PERMILLE = 200  # of a pack's limit: a load that starts, or a path that opens, is no drift


class Drift:
    """What each pack's charge current may come to beyond what it is now [mA, 0 or more]."""

    __slots__ = ("ahead_ma", "spent_ms", "then_ma", "total_ma")

    def __init__(self, count: int) -> None:
        self.ahead_ma = [0] * count
        self.then_ma: list[int | None] = [None] * count  # the currents when the window began
        self.total_ma = 0
        self.spent_ms = 0

    def run(self, dt_ms: int, packs: list[Pack]) -> bool:
        """Let time pass; return whether a window has ended and `ahead_ma` is new. Rounded up."""
        self.spent_ms += dt_ms
        if self.spent_ms < WINDOW_MS:
            return False
        total_ma = 0
        for pack in packs:
            total_ma += pack.current_ma or 0
        even_ma = max(0, total_ma - self.total_ma) // len(packs)
        seconds = self.spent_ms // 1_000
        for pack in packs:
            then_ma = self.then_ma[pack.index]
            now_ma = self.then_ma[pack.index] = pack.current_ma
            moved_ma = 0
            if then_ma is not None and now_ma is not None:
                moved_ma = max(0, now_ma - then_ma - even_ma)
            self.ahead_ma[pack.index] = -(-moved_ma * REACTION_S // seconds)
        self.total_ma = total_ma
        self.spent_ms = 0
        return True


def kept_back_ma(ahead_ma: int, usable_ma: int, margin_permille: int) -> int:
    """Return what must be kept back of `usable_ma` [mA]: the part that the margin does not cover."""
    beyond_ma = ahead_ma - usable_ma * margin_permille // 1_000
    return max(0, min(beyond_ma, usable_ma * MOST_PERMILLE // 1_000))
