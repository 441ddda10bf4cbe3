"""What a board says, and when: rounded to 10 mV and 100 mA, noisy, skewed, lost or wrong."""

from collections import deque
from random import Random

from .board import Board
from .pack import Pack
from .scenario import Fault, PackModel

VOLT_STEP_MV = 10
CURRENT_STEP_MA = 100

Report = dict[str, object]


def _rounded(value: float, step: int) -> int:
    return round(value / step) * step


class Reporter:
    """One board's reports, as dicts with the field names of the core's PackReport."""

    def __init__(self, model: PackModel, random: Random, loss: float, faults: list[Fault]) -> None:
        self.model = model
        self.random = random
        self.loss = loss
        self.faults = [fault for fault in faults if fault.pack == model.pack]
        self.next_s = model.skew_s
        self.sample = 0
        self.past: deque[tuple[float, Report]] = deque(maxlen=64)

    def due(self, now_s: float, pack: Pack, board: Board) -> Report | None:
        """Return the report that is due now, or None."""
        if now_s + 1e-9 < self.next_s:
            return None
        while self.next_s <= now_s + 1e-9:
            self.next_s += self.model.report_s
        acting = {
            fault.kind: fault for fault in self.faults if fault.start_s <= now_s < fault.stop_s
        }
        lost = self.random.random() < self.loss
        self.sample = (self.sample + 1) % 65_536
        if "freeze" in acting and self.past:
            reading = self.past[-1][1]
        else:
            reading = self._reading(pack, board, acting)
        self.past.append((now_s, reading))
        if lost or "drop" in acting:
            return None
        late_s = self.model.late_s + (acting["late"].value if "late" in acting else 0.0)
        if late_s:
            reading = self._as_of(now_s - late_s)
        return {**reading, "sample": self.sample}

    def _as_of(self, then_s: float) -> Report:
        """Return the newest reading that is at least as old; the oldest there is if none is."""
        for at_s, reading in reversed(self.past):
            if at_s <= then_s:
                return reading
        return self.past[0][1]

    def _reading(self, pack: Pack, board: Board, acting: dict[str, Fault]) -> Report:
        model = self.model
        amps = pack.current_a + model.current_offset_a
        if "offset" in acting:
            amps += acting["offset"].value
        if "flip_sign" in acting:
            amps = -amps
        amps += self.random.gauss(0, model.current_noise_a)
        decic = round(pack.temperature_c * 10)
        reading: Report = {
            "pack": model.pack,
            "voltage_mv": _rounded((pack.stack_v() + model.voltage_offset_v) * 1_000, VOLT_STEP_MV),
            "current_ma": _rounded(amps * 1_000, CURRENT_STEP_MA),
            "cell_max_mv": round(pack.high_v * 1_000),
            "cell_min_mv": round(pack.low_v * 1_000),
            "cell_max_no": pack.cells_v.index(pack.high_v) + 1,
            "cell_min_no": pack.cells_v.index(pack.low_v) + 1,
            "temperature_min_decic": decic,
            "temperature_max_decic": decic + 15,
            "soc_permille": int(board.counted * 1_000),
            "capacity_mah": round(model.capacity_ah * 1_000),
            "charge_allowed": not board.charge_open,
            "discharge_allowed": not board.discharge_open,
            "charge_path_closed": not board.charge_open if model.says_path else None,
            "discharge_path_closed": not board.discharge_open if model.says_path else None,
            "charge_voltage_limit_mv": round(model.voltage_limit_v * 1_000),
            "discharge_voltage_limit_mv": round(model.low_voltage_limit_v * 1_000),
            "charge_current_limit_ma": int(board.charge_limit_a * 1_000),
            "discharge_current_limit_ma": int(board.discharge_limit_a * 1_000),
            "balancing": pack.bleeding,
            "warnings": board.warnings(),
            "protections": board.protections(),
        }
        for name in model.omits:
            reading.pop(name, None)
        return reading
