"""Learned current shares: which part of any extra current each pack takes.

Block means over 60 s are differenced and regressed on the difference of the total: the slope is
the pack's conductance share, blind to state of charge and capacity (docs/sources.md, SHARE).
Sums are in units of 0.1 A and stay small integers on a 32-bit board for banks that swing by up to
1.6 kA; beyond, they are still right, but allocate.
Shares never raise a charge limit by themselves: see `charge_sharing` in settings.py.
"""

BLOCK_MS = 60_000
LEAST_BLOCKS = 10
LEAST_DIFFERENCE = 50  # 0.1 A of total, below which a block says nothing
TOP_CELL_MV = 3_400  # above it packs re-split by charge, not by conductance
SUM_TOLERANCE_PERMILLE = 100  # how far the shares' sum may be off 1
FULL = 1 << 26  # the sums are halved here: older blocks fade
BOUND_SIGMAS = 3
LEAST_BOUND_PERMILLE = 5


def ratio(part: int, whole: int, unit: int) -> int:
    """Return part * unit // whole for a power of ten `unit`, without the large product.

    `whole` > 0. Rounded down. One decimal digit at a time.
    """
    value = part // whole
    rest = part % whole
    while unit > 1:
        rest *= 10
        value = value * 10 + rest // whole
        rest %= whole
        unit //= 10
    return value


def root(square: int) -> int:
    """Return the integer square root, rounded down; 0 for anything below 1."""
    if square < 1:
        return 0
    guess = square
    better = (square + 1) // 2
    while better < guess:
        guess = better
        better = (guess + square // guess) // 2
    return guess


class Shares:
    """The regression of each pack's current on the total. Rows are packs, as everywhere."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.sums_ma = [0] * count  # of this block's readings
        self.readings = [0] * count
        self.means = [0] * count  # of the last block, 0.1 A
        self.products = [0] * count  # sum of D * d_i
        self.own_squares = [0] * count  # sum of d_i * d_i
        self.share_permille = [0] * count
        self.lower_permille = [0] * count
        self.upper_permille = [0] * count
        self.implausible = False
        # Sums that were learned for another set of packs: blocks, squares, products, own squares
        # and the set.
        self.kept: tuple[int, int, list[int], list[int], bytearray] | None = None
        self.forget()

    def put_away(self, connected: bytearray) -> None:
        """The set of connected packs changed: what was learned holds for the old set only.

        It is put away with that set, `connected`, and taken up when the same packs are back.
        """
        if self.learned:
            self.take_up(self.blocks, self.squares, self.products, self.own_squares, connected)
        self.forget()

    def take_up(
        self,
        blocks: int,
        squares: int,
        products: list[int],
        own_squares: list[int],
        connected: bytearray,
    ) -> None:
        """Keep these sums for the moment when the set of connected packs is `connected`."""
        self.kept = (blocks, squares, list(products), list(own_squares), bytearray(connected))

    def worth_keeping(
        self, connected: bytearray
    ) -> tuple[int, int, list[int], list[int], bytearray]:
        """Return the sums to keep over a restart: those put away, unless newer ones are learned."""
        if self.kept is not None and not self.learned:
            return self.kept
        return self.blocks, self.squares, self.products, self.own_squares, connected

    def forget(self) -> None:
        """Start learning from nothing."""
        self.squares = 0
        self.blocks = 0
        self.learned = False
        self.has_means = False
        self.broken = True  # the block under way has seen two sets of packs
        self.block_ms = 0
        self.bus_sum_ma = 0
        self.bus_readings = 0
        self.bus_mean: int | None = None  # of the last block, 0.1 A
        for i in range(self.count):
            self.products[i] = 0
            self.own_squares[i] = 0
            self._clear(i)

    def hear(self, i: int, current_ma: int) -> None:
        """A new reading of pack `i`, positive: charging."""
        self.sums_ma[i] += current_ma
        self.readings[i] += 1

    def hear_bus(self, current_ma: int) -> None:
        """A new reading of the bus meter: an independent total, positive: charging."""
        self.bus_sum_ma += current_ma
        self.bus_readings += 1

    def spoil(self) -> None:
        """This block does not count: a cell is near its top, or a path is open."""
        self.broken = True

    def run(self, dt_ms: int, connected: bytearray) -> None:
        """Let time pass. `connected`: 1 for each pack that must have a reading in the block."""
        if self.kept is not None and not self.learned and self.kept[4] == connected:
            self._resume(connected)
        self.block_ms += dt_ms
        if self.block_ms >= BLOCK_MS:
            if self.block_ms >= 2 * BLOCK_MS:
                self.broken = True
            self._close_block(connected)
            self.block_ms = 0

    def _resume(self, connected: bytearray) -> None:
        if self.kept is not None:
            self.blocks, self.squares, self.products, self.own_squares, _ = self.kept
            self.kept = None
            if self.squares > 0:
                self._learn(connected)

    def _close_block(self, connected: bytearray) -> None:
        for i in range(self.count):
            if connected[i] and not self.readings[i]:
                self.broken = True
        if self.broken:
            self.has_means = False
            self.bus_mean = None
        else:
            self._compare(connected)
            self.has_means = True
        self.broken = False
        self.bus_sum_ma = 0
        self.bus_readings = 0
        for i in range(self.count):
            self._clear(i)

    def _clear(self, i: int) -> None:
        self.sums_ma[i] = 0
        self.readings[i] = 0

    def _compare(self, connected: bytearray) -> None:
        """Difference this block's means with the last one's and add them to the sums."""
        total = 0
        for i in range(self.count):
            mean = self.sums_ma[i] // self.readings[i] // 100 if connected[i] else 0
            self.sums_ma[i] = mean - self.means[i]
            self.means[i] = mean
            total += self.sums_ma[i]
        total = self._metered(total)
        if not self.has_means or -LEAST_DIFFERENCE <= total <= LEAST_DIFFERENCE:
            return
        if self.squares >= FULL:
            self._halve()
        self.squares += total * total
        self.blocks += 1
        for i in range(self.count):
            self.products[i] += total * self.sums_ma[i]
            self.own_squares[i] += self.sums_ma[i] * self.sums_ma[i]
        self._learn(connected)

    def _metered(self, total: int) -> int:
        """The change of the total [0.1 A]: the bus meter's, if it was heard in both blocks.

        Then the shares need not sum to 1, and a sum that is far off tells of a wrong sensor.
        """
        before = self.bus_mean
        if not self.bus_readings:
            self.bus_mean = None
            return total
        self.bus_mean = self.bus_sum_ma // self.bus_readings // 100
        return total if before is None else self.bus_mean - before

    def _halve(self) -> None:
        self.squares //= 2
        self.blocks = max(self.blocks // 2, min(self.blocks, LEAST_BLOCKS))
        for i in range(self.count):
            self.products[i] //= 2
            self.own_squares[i] //= 2

    def _learn(self, connected: bytearray) -> None:
        """Turn the sums into shares with bounds, or discard all of them."""
        if self.blocks < LEAST_BLOCKS:
            return
        whole = 0
        for i in range(self.count):
            if not connected[i]:
                self.share_permille[i] = 0
                self.lower_permille[i] = 0
                self.upper_permille[i] = 1_000
                continue
            share = ratio(self.products[i], self.squares, 1_000)
            whole += share
            if not 0 < share <= 1_000:
                self._discard()
                return
            self._bound(i, share)
        if not -SUM_TOLERANCE_PERMILLE <= whole - 1_000 <= SUM_TOLERANCE_PERMILLE:
            self._discard()
            return
        self.learned = True
        self.implausible = False

    def _bound(self, i: int, share: int) -> None:
        """The residual scatter bounds the slope: three standard errors, at least 5 permille."""
        residual = max(0, self.own_squares[i] - share * (self.products[i] // 1_000))
        error_ppm = ratio(residual // (self.blocks - 1), self.squares, 1_000_000)
        bound = max(LEAST_BOUND_PERMILLE, BOUND_SIGMAS * root(error_ppm))
        self.share_permille[i] = share
        self.lower_permille[i] = max(1, share - bound)
        self.upper_permille[i] = min(1_000, share + bound)

    def _discard(self) -> None:
        self.forget()
        self.implausible = True

    def least_permille(self, count: int, ratio_assumed: int) -> int:
        """The smallest share a pack can have if no resistance is more than `ratio_assumed` times
        another, among `count` packs: 1/(1 + (n - 1) * ratio)."""
        return 1_000 // (1 + (count - 1) * ratio_assumed)
