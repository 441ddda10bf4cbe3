"""A bank whose packs report once a second, with moving currents. Runs on MicroPython, too.

All numbers are invented.
"""

from aggregator import BankSettings, PackReport, PackSettings

STEP_MS = 1_000
HILL_STEPS = 400  # the total rises for half of it and falls for the other half


def settings_of(count):
    """The settings of a bank of `count` packs."""
    return BankSettings(
        packs=[
            PackSettings("pack-" + str(i), capacity_mah=100_000 + 10_000 * i) for i in range(count)
        ]
    )


class Load:
    """A running bank behind an adapter that fills in one report object again and again."""

    def __init__(self, bank, names):
        self.bank = bank
        self.names = names
        self.now_ms = 0
        self.tick = 0
        self.report = new_report(0)

    def run(self, steps):
        """Move the readings, hand them over and step, so many times."""
        report = self.report
        for _ in range(steps):
            self.now_ms = (self.now_ms + STEP_MS) & 0x3FFFFFFF
            self.tick += 1
            for i in range(len(self.names)):
                report.pack = self.names[i]
                read(report, i, self.tick)
                self.bank.accept(report, self.now_ms)
            self.bank.step(self.now_ms)


def read(report, i, tick):
    """The reading of pack `i` at `tick`: the total climbs and falls, shares are uneven."""
    phase = tick % HILL_STEPS
    height = phase if phase < HILL_STEPS // 2 else HILL_STEPS - phase
    report.sample = tick & 0xFFFF
    report.current_ma = (90 + 3 * (i % 8)) * height
    report.voltage_mv = 53_000 + height
    report.cell_max_mv = 3_320 + height // 10
    report.temperature_max_decic = 220 + i % 8


def new_report(i):
    """A report of pack `i` that `read` fills in."""
    return PackReport(
        "pack-" + str(i),
        0,
        voltage_mv=53_000,
        current_ma=0,
        cell_min_mv=3_310,
        cell_max_mv=3_320,
        cell_min_no=3,
        cell_max_no=7,
        temperature_min_decic=200,
        temperature_max_decic=220,
        soc_permille=500,
        soh_permille=980,
        capacity_mah=100_000,
        charge_allowed=True,
        discharge_allowed=True,
        charge_path_closed=True,
        discharge_path_closed=True,
        charge_voltage_limit_mv=57_600,
        discharge_voltage_limit_mv=44_000,
        charge_current_limit_ma=100_000,
        discharge_current_limit_ma=100_000,
        warnings=(),
        protections=(),
    )
