"""A reading of the whole bank from an earlier moment that still tells a safe total."""

# The neutral element of a minimum: no current, in mA, gets there.
NO_CAP = 1 << 29

MOST_ROOM_MA = NO_CAP // 2  # a larger room is that of a pack whose limit does not bind


# Yes-or-no columns are bytearrays of 1 and 0: `column.find(YES)` is the first row that says yes, or
# -1; `column.count(YES)` how many do. Both search in C, and allocate nothing on a board.
YES = b"\x01"
NO = b"\x00"


class Reference:
    """The total and every pack's room at one moment, in one direction (mA).

    The room is what was left of the pack's limit of now: L_i - I_i with the current of then.
    """

    def __init__(self, count: int) -> None:
        self.valid = False
        self.left_ms = 0
        self.total_ma = 0
        self.room_ma = [NO_CAP] * count

    def take(self, total_ma: int, room_ma: list[int], keep_ms: int) -> None:
        """Remember this moment, for `keep_ms` if `run_down` is called."""
        kept = self.room_ma
        for i in range(len(kept)):
            kept[i] = room_ma[i]
        self.total_ma = total_ma
        self.left_ms = keep_ms
        self.valid = True

    def run_down(self, dt_ms: int) -> None:
        """Forget the moment when its time is up."""
        self.left_ms -= dt_ms
        if self.left_ms <= 0:
            self.left_ms = 0
            self.valid = False

    def follow(self, taken_ma: list[int]) -> None:
        """Let the rooms follow the split: what a pack took over since, it has no more."""
        if self.valid:
            for i in range(len(self.room_ma)):
                self.room_ma[i] -= taken_ma[i]

    def counts(self) -> bool:
        """Is it still good: was no pack above what it may take now? From above a limit, no total but
        a lower one is safe, and by how much the shares would have to tell."""
        return self.valid and min(self.room_ma) >= 0

    def safe_total_ma(self, inverse_permille: int) -> int:
        """Return total + min((L_i - I_i) / s) [mA], rounded down.

        `inverse_permille`: 1/s for the most that the share s of any pack can be.
        Source: superposition in a linear network (Millman), see docs/explanation/headroom.md.
        """
        return self.total_ma + min(self.room_ma) // 10 * inverse_permille // 100

    def learned_total_ma(self, upper_permille: list[int]) -> int:
        """Return the same where the most that each pack's share s_i can be is learned."""
        least_ma = NO_CAP
        for i in range(len(self.room_ma)):
            room_ma = self.room_ma[i]
            if room_ma < MOST_ROOM_MA:
                inverse = 1_000_000 // upper_permille[i]
                least_ma = min(least_ma, room_ma // 10 * inverse // 100)
        return self.total_ma + least_ma

    def share_permille(self, i: int, total_ma: int, room_ma: int, least: int) -> int:
        """Return pack i's share of what the total grew since this moment, at least `least`.

        `room_ma`: its room now. 0 if the total did not grow. Rounded down: a small share backs off
        further.
        """
        grown_ma = total_ma - self.total_ma
        if grown_ma <= 0:
            return 0
        taken_ma = self.room_ma[i] - room_ma
        if taken_ma >= grown_ma:
            return 1_000
        return max(least, taken_ma * 1_000 // grown_ma)
