"""A reading of the whole bank from an earlier moment that still tells a safe total."""

# The neutral element of a minimum: no current, in mA, gets there.
NO_CAP = 1 << 29


def first_yes(column: bytearray) -> int:
    """Return the first row of a yes-or-no column that says yes; -1 if none does."""
    for i in range(len(column)):
        if column[i]:
            return i
    return -1


class Reference:
    """The total and every pack's current at one moment, in one direction (mA)."""

    __slots__ = ("flow_ma", "left_ms", "total_ma", "valid")

    def __init__(self, count: int) -> None:
        self.valid = False
        self.left_ms = 0
        self.total_ma = 0
        self.flow_ma = [0] * count

    def take(self, total_ma: int, flow_ma: list[int], keep_ms: int) -> None:
        """Remember this moment, for `keep_ms` if `run_down` is called."""
        kept = self.flow_ma
        for i in range(len(kept)):
            kept[i] = flow_ma[i]
        self.total_ma = total_ma
        self.left_ms = keep_ms
        self.valid = True

    def run_down(self, dt_ms: int) -> None:
        """Forget the moment when its time is up."""
        self.left_ms -= dt_ms
        if self.left_ms <= 0:
            self.left_ms = 0
            self.valid = False

    def safe_total_ma(
        self, limit_ma: list[int], upper_permille: list[int] | None, assumed_permille: int
    ) -> int:
        """Return total + min((L_i - I_i) / s_i) [mA], rounded down.

        `upper_permille`: the most that s_i of each pack can be, or None: 1/s_i is `assumed_permille`
        for all of them.
        Source: superposition in a linear network (Millman), see docs/explanation/headroom.md.
        """
        least_ma = NO_CAP
        flow_ma = self.flow_ma
        inverse = assumed_permille
        for i in range(len(limit_ma)):
            limit = limit_ma[i]
            if limit >= NO_CAP:
                continue
            if upper_permille is not None:
                inverse = 1_000_000 // upper_permille[i]
            room_ma = (limit - flow_ma[i]) // 10 * inverse // 100
            if room_ma < least_ma:
                least_ma = room_ma
        return self.total_ma + least_ma

    def share_permille(self, i: int, total_ma: int, flow_ma: int, least: int) -> int:
        """Return pack i's share of what the total grew since this moment, at least `least`.

        0 if the total did not grow. Rounded down: a small share backs off further.
        """
        grown_ma = total_ma - self.total_ma
        if grown_ma <= 0:
            return 0
        taken_ma = flow_ma - self.flow_ma[i]
        if taken_ma >= grown_ma:
            return 1_000
        return max(least, taken_ma * 1_000 // grown_ma)
