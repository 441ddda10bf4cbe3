"""A DC source on a simulated RV-C bus, for tests: what it is shown, and what it says when."""

from adapters.rvc.frames import STATUS_1, identifier
from adapters.rvc.settings import SaysRvc
from adapters.rvc.source import RvcSource
from aggregator.view import SystemView

OWN = 175


def view(**changes: object) -> SystemView:
    """A bank that may be charged with 100 A to 56 V."""
    shown = SystemView(["oak"])
    usual = {
        "voltage_mv": 53_120, "voltage_min_mv": 53_100, "voltage_max_mv": 53_150,
        "current_ma": 42_500, "power_w": 2_258, "soc_permille": 875, "soh_permille": 990,
        "capacity_mah": 300_000, "remaining_mah": 262_000, "temperature_max_decic": 220,
        "charge_allowed": True, "discharge_allowed": True,
        "charge_voltage_limit_mv": 56_049, "charge_current_limit_ma": 100_049,
        "discharge_current_limit_ma": 100_000, "discharge_voltage_limit_mv": 44_800,
    }  # fmt: skip
    for name, value in (usual | changes).items():
        setattr(shown, name, value)
    return shown


def source(**changes: object) -> RvcSource:
    """A talker with invented numbers in its NAME."""
    settings = SaysRvc(manufacturer_code=0, identity_number=4_711, **changes)  # type: ignore[arg-type]
    talker = settings.talker()
    talker.opened(0)
    return talker


def run(
    talker: RvcSource, start_ms: int, end_ms: int, shown: SystemView, may_speak: bool = True
) -> list[tuple[int, int, bytes]]:
    """What is said between two times, in turns of 20 ms: time, DGN, data."""
    said = []
    for now_ms in range(start_ms, end_ms, 20):
        for number, data in talker.due(now_ms, shown, may_speak):
            assert len(data) == 8
            said.append((now_ms, (number & 0x1FFFFFFF) >> 8 & 0x1FFFF, data))
    return said


def times(said: list[tuple[int, int, bytes]], dgn: int) -> list[int]:
    """When a DGN was said."""
    return [now_ms for now_ms, number, _ in said if number == dgn]


def last(said: list[tuple[int, int, bytes]], dgn: int) -> str:
    """The data of a DGN, the last time."""
    return [data.hex().upper() for _, number, data in said if number == dgn][-1]


def from_other(dgn: int, data: bytes, other: int = 70) -> tuple[int, bytes]:
    """A frame of another device."""
    return identifier(dgn, other), data


def rival(priority: int, other: int = 70) -> tuple[int, bytes]:
    """STATUS_1 of another source of our instance."""
    return from_other(STATUS_1, bytes([1, priority]) + bytes(6), other)
