"""How the split of the charge current is moving, and how far it goes before a charger has followed.

At the knee packs share anew within minutes, by half an ampere a second and more, while a loop may take
half a minute from a reading to the current that answers it. So what a pack took over from the others in
a window is expected to go on for that long (docs/explanation/headroom.md, the split moves).
The packs' last words count here, whoever is late or silent by now: a lost report changes nothing.
"""

from .pack import Pack

WINDOW_MS = 10_000
WINDOWS_AHEAD = 3  # 20 s of latency, readings every 5 s, and half a window
MOST_PERMILLE = 200  # of a pack's limit: more at once is a path that opened, and no drift


class Drift:
    """What each pack's charge current took over from the others in the last window [mA]."""

    __slots__ = ("changed", "spent_ms", "taken_ma", "then_ma")

    def __init__(self, count: int) -> None:
        self.taken_ma = [0] * count  # 0 or more
        self.changed = bytearray(count)  # 1: `taken_ma` is another than before
        # The currents when the window began; while one is worked out, how far they moved.
        self.then_ma: list[int | None] = [None] * count
        self.spent_ms = 0

    def run(self, dt_ms: int, packs: list[Pack]) -> bool:
        """Let time pass; return whether a window has ended, so that `taken_ma` is new.

        While the total rises all rise, unless one takes over what others lose; the rise may hide as
        much again of that. While it falls, whoever falls by less than an even part takes over.
        """
        self.spent_ms += dt_ms
        if self.spent_ms < WINDOW_MS:
            return False
        self.spent_ms = 0
        lost_ma = 0
        grown_ma = 0
        for pack in packs:
            now_ma = pack.current_ma
            then_ma = self.then_ma[pack.index]
            moved_ma = 0 if now_ma is None or then_ma is None else now_ma - then_ma
            grown_ma += moved_ma
            lost_ma -= min(0, moved_ma)
            self.then_ma[pack.index] = moved_ma
        even_ma = min(0, grown_ma) // len(packs)
        for pack in packs:
            i = pack.index
            moved_ma = self.then_ma[i] or 0
            self.then_ma[i] = pack.current_ma
            taken_ma = max(0, min(moved_ma - even_ma, 2 * lost_ma))
            self.changed[i] = 1 if taken_ma != self.taken_ma[i] else 0
            self.taken_ma[i] = taken_ma
        return True


def kept_back_ma(taken_ma: int, usable_ma: int, margin_permille: int) -> int:
    """Return what must be kept back of `usable_ma` [mA]: the part that the margin does not cover."""
    beyond_ma = taken_ma * WINDOWS_AHEAD - usable_ma * margin_permille // 1_000
    return max(0, min(beyond_ma, usable_ma * MOST_PERMILLE // 1_000))
