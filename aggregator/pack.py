"""What is known of one pack: its last good reading, and whether it still speaks."""

from .report import PackReport
from .settings import PackSettings

LIVE = "live"
LATE = "late"
UNHEARD = "unheard"
REMOVED = "removed"

# Below any temperature, above any temperature: what a sensor that fell silent is taken for.
COLDEST = -100_000
HOTTEST = 100_000

_COPIED = (
    "voltage_mv",
    "current_ma",
    "cell_min_mv",
    "cell_max_mv",
    "cell_min_no",
    "cell_max_no",
    "temperature_min_decic",
    "temperature_max_decic",
    "soc_permille",
    "capacity_mah",
)


class Pack:
    """The last reading (names and units of PackReport) and the presence of one pack."""

    def __init__(self, index: int, settings: PackSettings) -> None:
        self.index = index
        self.settings = settings
        self.presence = UNHEARD
        self.silence: str | None = "never heard"
        self.withheld = False
        self.sample: int | None = None
        self.taken_ms = 0
        self.recovered = 0  # fresh readings in a row since it fell silent
        self.moved_ms = 0  # when its readings last moved
        self.moved_stirs = 0  # the count of stirs then, see presence.py
        self.stirred_ma: int | None = None  # its current when it last stirred
        self.voltage_mv: int | None = None
        self.current_ma: int | None = None
        self.cell_min_mv: int | None = None
        self.cell_max_mv: int | None = None
        self.cell_min_no: int | None = None
        self.cell_max_no: int | None = None
        self.temperature_min_decic: int | None = None
        self.temperature_max_decic: int | None = None
        self.cold_decic: int | None = None  # coldest with hysteresis
        self.hot_decic: int | None = None  # hottest with hysteresis
        self.soc_permille: int | None = None
        self.capacity_mah = settings.capacity_mah

    def is_news(self, sample: int) -> bool:
        """Is this sample number newer than the last? A repeat, or one that was overtaken, is not.

        A pack that was silent may have restarted its count: any other number is news, once.
        """
        if self.sample is None:
            return True
        ahead = (sample - self.sample) & 0xFFFF
        if self.presence == LIVE or self.presence == LATE or self.recovered > 0:
            return 0 < ahead < 0x8000
        return ahead != 0

    def take(self, report: PackReport) -> bool:
        """Copy a checked report; return whether any reading moved."""
        voltage_mv = self.voltage_mv
        current_ma = self.current_ma
        low_mv = self.cell_min_mv
        high_mv = self.cell_max_mv
        soc = self.soc_permille
        self.sample = report.sample
        for name in _COPIED:
            setattr(self, name, getattr(report, name))
        if report.cells_mv is not None:
            self._take_cells(report.cells_mv)
        if report.temperatures_decic is not None:
            if self.temperature_min_decic is None:
                self.temperature_min_decic = min(report.temperatures_decic)
            if self.temperature_max_decic is None:
                self.temperature_max_decic = max(report.temperatures_decic)
        if self.capacity_mah is None:
            self.capacity_mah = self.settings.capacity_mah
        self._feel()
        return (
            voltage_mv != self.voltage_mv
            or current_ma != self.current_ma
            or low_mv != self.cell_min_mv
            or high_mv != self.cell_max_mv
            or soc != self.soc_permille
        )

    def stirs(self, zero_ma: int) -> bool:
        """Has its current moved by `zero_ma` since it last stirred? Then it stirs now."""
        if self.current_ma is None:
            return False
        if self.stirred_ma is None:
            self.stirred_ma = self.current_ma
            return False
        if -zero_ma < self.current_ma - self.stirred_ma < zero_ma:
            return False
        self.stirred_ma = self.current_ma
        return True

    def _take_cells(self, cells_mv: list[int] | tuple[int, ...]) -> None:
        """Take the extremes, and where they are, from the list, where the report left them open."""
        if self.cell_min_mv is None:
            self.cell_min_mv = min(cells_mv)
        if self.cell_max_mv is None:
            self.cell_max_mv = max(cells_mv)
        if self.cell_min_no is None and self.cell_min_mv in cells_mv:
            self.cell_min_no = _place(cells_mv, self.cell_min_mv)
        if self.cell_max_no is None and self.cell_max_mv in cells_mv:
            self.cell_max_no = _place(cells_mv, self.cell_max_mv)

    def _feel(self) -> None:
        """Move the temperatures that derating sees: outward at once, back only past the hysteresis.

        A single sensor stands for both extremes. One that fell silent is the worst there is, so
        that its return starts from the far side of the hysteresis.
        """
        slack = self.settings.temperature_hysteresis_decic
        low = self.temperature_min_decic
        high = self.temperature_max_decic
        if low is None:
            low = high
        if high is None:
            high = low
        if low is None or high is None:
            if self.cold_decic is not None:
                self.cold_decic = COLDEST
                self.hot_decic = HOTTEST
            return
        if self.cold_decic is None or self.hot_decic is None:
            self.cold_decic = low
            self.hot_decic = high
            return
        self.cold_decic = low if low < self.cold_decic else max(self.cold_decic, low - slack)
        self.hot_decic = high if high > self.hot_decic else min(self.hot_decic, high + slack)


def _place(cells_mv: list[int] | tuple[int, ...], value_mv: int) -> int:
    """Return the number, from 1, of the first cell at `value_mv` (MicroPython tuples can't)."""
    number = 1
    for cell_mv in cells_mv:
        if cell_mv == value_mv:
            return number
        number += 1
    return number
