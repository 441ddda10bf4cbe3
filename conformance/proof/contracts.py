"""Contracts on the core's real functions, for CrossHair: a second opinion by another program.

See docs/explanation/proof.md for the command. Three packs; ranges of report.py.
"""

from aggregator import derate, headroom
from aggregator.bank import Bank
from aggregator.reference import Reference
from aggregator.settings import BankSettings, PackSettings
from aggregator.shares import Shares

Three = tuple[int, int, int]


def within(flow_ma: Three, limit_ma: Three) -> bool:
    """Are these three packs' currents and limits in range, and none above its limit?"""
    return all(
        -1_000_000 <= flow <= limit and 0 <= limit <= 1_000_000
        for flow, limit in zip(flow_ma, limit_ma, strict=True)
    )


def safe_total_ma(total_ma: int, flow_ma: Three, limit_ma: Three) -> int:
    """Return the safe total of an earlier reading, for the worst split.

    pre: within(flow_ma, limit_ma)
    pre: -3_000_000 <= total_ma <= 3_000_000
    post: all(_ - total_ma <= limit - flow for flow, limit in zip(flow_ma, limit_ma))
    """
    reading = Reference(3)
    reading.take(total_ma, [limit_ma[i] - flow_ma[i] for i in range(3)], 1)
    return reading.safe_total_ma(1_000)


def surveyed(flow_ma: Three, limit_ma: Three) -> tuple[int, int]:
    """Return the caps `headroom` and `contributions` of three packs that are heard.

    pre: within(flow_ma, limit_ma)
    post: all(_[0] <= max(0, sum(flow_ma) + limit - flow) for flow, limit in zip(flow_ma, limit_ma))
    post: 0 <= _[1] <= sum(limit_ma)
    """
    side = Bank(BankSettings([PackSettings(name) for name in "abc"])).charge
    for i in range(3):
        side.flow_ma[i] = flow_ma[i]
        side.limit_ma[i] = side.contribution_ma[i] = limit_ma[i]
        side.room_ma[i] = limit_ma[i] - flow_ma[i]
        side.grant_ma[i] = 1 << 29  # heard: it grants nothing
    side.quiet_ma = 0
    side.some_unheard = False
    headroom.survey(side, 1_000, None, Shares(3))
    return side.headroom_ma, side.contributions_ma


def left_permille(cold: Three, x: int) -> int:
    """Return what a curve of two points leaves at `x`: from (0, a) to (b, c).

    pre: 0 <= cold[0] <= 1_000 and 0 < cold[1] <= 5_000 and 0 <= cold[2] <= 1_000
    pre: -500 <= x <= 5_000
    post: 0 <= _ <= 1_000
    """
    return derate.along(((0, cold[0]), (cold[1], cold[2])), x)


def reliable_ma(own_ma: int, tolerance_ma: int) -> int:
    """Return what is left of a limit with a tolerance of 5 A or less, and the usual margin.

    pre: 0 <= own_ma <= 1_000_000 and 0 <= tolerance_ma <= 50_000
    post: 0 <= _ <= own_ma
    """
    settings = PackSettings("a", sensor_tolerance_permille=20)
    settings.sensor_tolerance_ma = tolerance_ma
    return derate.reliable_ma(own_ma, settings, 30)
