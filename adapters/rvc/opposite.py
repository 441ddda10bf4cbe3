"""The other side of pack.py: a pack that speaks RV-C, for tests and simulations."""

from adapters.rvc import statuses
from adapters.rvc.frames import (
    STATUS_1,
    STATUS_2,
    STATUS_3,
    STATUS_4,
    STATUS_5,
    STATUS_6,
    STATUS_11,
    flag,
    identifier,
)
from aggregator import PackReport


def pack_frames(
    report: PackReport, instance: int, priority: int = 120, source: int = 70
) -> list[tuple[int, bytes]]:
    """Return the frames in which a pack tells a report; STATUS_1 last, as the one that counts.

    RV-C has no cells, no alarms by name and no discharge limit: those do not come through.
    """
    frames = []

    def say(dgn: int, fill: object, *values: object) -> None:
        data = bytearray([instance, priority] + [0xFF] * 6)
        fill(data, *values)  # type: ignore[operator]  # one of statuses.put_...
        frames.append((identifier(dgn, source), bytes(data)))

    def limits(data: bytearray) -> None:
        statuses.clear_6(data, 0)
        statuses.set_6(data, statuses.HIGH_VOLTAGE, flag(report.charge_allowed is False))
        statuses.set_6(data, statuses.LOW_VOLTAGE, flag(report.discharge_allowed is False))

    full_mah = report.capacity_mah
    soc = report.soc_permille
    left_mah = None if full_mah is None or soc is None else full_mah * soc // 1_000
    charging = None if report.current_ma is None else report.current_ma > 0
    buses = flag(report.discharge_path_closed), flag(report.charge_path_closed)
    allowed = report.charge_allowed is not False
    limit_mv, limit_ma = report.charge_voltage_limit_mv, report.charge_current_limit_ma
    say(STATUS_4, statuses.put_4, allowed, limit_mv, limit_ma)
    say(STATUS_6, limits)
    say(STATUS_2, statuses.put_2, report.temperature_max_decic, soc)
    say(STATUS_3, statuses.put_3, report.soh_permille, left_mah, soc)
    say(STATUS_11, statuses.put_11, *buses, flag(charging), full_mah, None)
    say(STATUS_5, statuses.put_5, report.voltage_mv)
    say(STATUS_1, statuses.put_1, report.voltage_mv, report.current_ma)
    return frames
