"""The bank that a random stream tells of: its packs as they are, and what they say."""

from random import Random

TICKS = 1 << 30  # where a board's millisecond counter wraps
NAMES = ("ash", "birch", "cedar", "date", "elm", "fir")
USUAL_CELL_MV = 3_320


class StoryPack:
    """One pack of a stream as it really is, and what it says about it."""

    def __init__(self, random: Random, name: str) -> None:
        self.name = name
        self.weight = random.randint(1, 4)
        self.capacity_mah = random.choice((50_000, 100_000, 280_000, 314_000))
        self.limit_ma = random.choice((30_000, 100_000, 150_000))
        self.spread_mv = random.randint(0, 40)
        self.sample = random.choice((0, 65_530, random.randrange(65_536)))
        self.mood: dict[str, object] = {}
        self.silent = False
        self.frozen = False
        self.sign = 1  # -1: its sensor is the wrong way round
        self.lists = random.random() < 0.2  # says each cell and sensor, not their extremes
        self.last: dict[str, object] = {}


class Story:
    """A stream under construction. Times in ms, currents in mA, positive: charging."""

    def __init__(self, seed: int) -> None:
        self.random = random = Random(f"stream {seed}")
        self.ops: list[dict[str, object]] = []
        self.wraps = random.random() < 0.5
        self.now_ms = random.choice((0, 5, TICKS - random.randrange(100_000), 1 << 40))
        count = random.choice((1, 2, 2, 3, 3, 4, 6))
        self.packs = [StoryPack(random, name) for name in NAMES[:count]]
        self.total_ma = 0
        self.aim_ma = 0
        self.cell_mv = USUAL_CELL_MV
        self.cell_count = random.choice((16, 16, 16, 15, 8))
        self.gap_ms = random.choice((1_000, 1_000, 1_000, 2_000, 10_000))
        self.loss = random.choice((0.0, 0.02, 0.2))

    def say(self, op: str, **fields: object) -> None:
        """Add one request."""
        t = self.now_ms % TICKS if self.wraps else self.now_ms
        self.ops.append({"op": op, "t": t, **fields})

    def any_pack(self) -> StoryPack:
        return self.random.choice(self.packs)

    def reading(self, pack: StoryPack) -> dict[str, object]:
        """What a pack would say now."""
        random = self.random
        if pack.frozen and pack.last:
            return pack.last
        whole = sum(other.weight for other in self.packs)
        low = self.cell_mv - pack.spread_mv
        high = self.cell_mv + pack.spread_mv
        noise_ma = random.randint(-50, 50)
        fields: dict[str, object] = {
            "voltage_mv": self.cell_count * self.cell_mv + random.randint(-20, 20),
            "current_ma": noise_ma + pack.sign * self.total_ma * pack.weight // whole,
            "soc_permille": max(0, min(1_000, (self.cell_mv - 2_800) * 3 // 2)),
            "soh_permille": 980,
            "capacity_mah": pack.capacity_mah,
            "charge_allowed": True,
            "discharge_allowed": True,
            "charge_path_closed": True,
            "discharge_path_closed": True,
            "charge_voltage_limit_mv": self.cell_count * 3_600,
            "discharge_voltage_limit_mv": self.cell_count * 2_800,
            "charge_current_limit_ma": pack.limit_ma,
            "discharge_current_limit_ma": pack.limit_ma,
        }
        if pack.lists:
            fields["cells_mv"] = [low, *[self.cell_mv] * (self.cell_count - 2), high]
            fields["temperatures_decic"] = [random.randint(200, 210), 220]
        else:
            fields.update(cell_min_mv=low, cell_max_mv=high, cell_min_no=1, cell_max_no=2)
            fields.update(temperature_min_decic=200, temperature_max_decic=220)
        pack.last = {**fields, **pack.mood}
        return pack.last

    def report(self, pack: StoryPack, changes: dict[str, object] | None = None) -> None:
        """One report; mostly a new reading, sometimes a repeat, an old one or one out of order."""
        random = self.random
        if random.random() < 0.97:
            pack.sample = (pack.sample + 1) % 65_536
        fields = {"pack": pack.name, "sample": pack.sample, **self.reading(pack)}
        if random.random() < 0.05:
            fields["age_ms"] = random.choice((0, 300, 5_000, 20_000, 40_000_000))
        if random.random() < 0.02:
            fields["sample"] = (pack.sample - random.randint(1, 3)) % 65_536
        fields.update(changes or {})
        self.say("report", **fields)

    def tick(self) -> None:
        """One round: time passes, the total wanders, packs report, the bank steps."""
        random = self.random
        self.now_ms += self.gap_ms + random.choice((0, 0, 0, -3, 7))
        self.total_ma += (self.aim_ma - self.total_ma) // 4 + random.randint(-300, 300)
        for pack in self.packs:
            if not pack.silent and random.random() >= self.loss:
                self.report(pack)
        self.say("step")
