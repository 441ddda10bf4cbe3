"""May this pack be connected now? The current that will rush, from voltages and resistances.

    inrush = (voltage of the bank - voltage of the pack) / (resistance of the pack + of the bank)

with the bank's n packs in parallel: a share of the one formula for sources on a common bus
(Millman's theorem; docs/explanation/headroom.md). Resistances are rarely known, so the smallest
plausible one is assumed: it gives the largest current. Precharge resistors, if there are any, are
left out of account: without them this is the case to fear.
"""

from attrs import frozen

from aggregator import PackReport

# Of one pack with its board and leads: 16 cells of 0.2 mΩ and 1 mΩ for the rest is about the best
# that large cells do (common practice, no source).
LEAST_MILLIOHM = 4.0
CELL_MV = (2_500, 3_650)  # outside this no LiFePO4 cell is in order (common practice, no source)
RESTING_MA = 5_000  # above this, the bank's voltage is not its resting voltage


@frozen
class Side:
    """What is on one side of the switch. None: unknown."""

    voltage_mv: int | None
    cell_count: int | None
    charge_limit_ma: int | None = None
    discharge_limit_ma: int | None = None
    current_ma: int | None = None


@frozen
class Answer:
    """`may`: as far as voltages tell; `inrush_ma`: into the pack, negative: out of it."""

    may: bool
    reasons: list[str]
    inrush_ma: int | None = None


def may_connect(pack: Side, bank: list[Side], milliohm: float = LEAST_MILLIOHM) -> Answer:
    """Return whether a pack may join a bank now, and why (not). `milliohm` > 0: of each pack's path."""
    refusals = list(_refusals(pack, bank))
    if refusals:
        return Answer(False, refusals)
    voltages = [side.voltage_mv for side in bank if side.voltage_mv is not None]
    assert pack.voltage_mv is not None
    # The farthest of the bank's readings: they differ by drops in leads, and by sensors.
    gap_mv = max((mv - pack.voltage_mv for mv in voltages), key=abs)
    inrush_ma = round(1_000 * gap_mv / (milliohm * (1 + 1 / len(bank))))
    reasons = [f"{gap_mv / 1_000:+.2f} V between bank and pack over at least"
               f" {milliohm * (1 + 1 / len(bank)):.1f} mΩ: up to {abs(inrush_ma) / 1_000:.0f} A"
               f" {'into' if gap_mv >= 0 else 'out of'} the pack at first"]  # fmt: skip
    worries = list(_worries(pack, bank, inrush_ma, milliohm))
    return Answer(not worries, reasons + worries, inrush_ma)


def _refusals(pack: Side, bank: list[Side]) -> list[str]:
    """Say what rules it out, whatever the voltages."""
    found = []
    if not bank:
        found.append("no pack of the bank is heard: what it would meet is unknown")
    if pack.voltage_mv is None or any(side.voltage_mv is None for side in bank):
        found.append("a voltage is unknown: measure it at the terminals, and give --voltage")
    counts = {side.cell_count for side in (pack, *bank)}
    if None in counts:
        found.append("a number of cells is unknown: count them, and give --cells")
    elif len(counts) > 1:
        found.append(f"packs of {' and '.join(str(n) for n in sorted(counts, key=str))} cells"
                     " must never be connected in parallel")  # fmt: skip
    for side in (pack, *bank):
        if side.voltage_mv is not None and side.cell_count:
            cell_mv = side.voltage_mv / side.cell_count
            if not CELL_MV[0] <= cell_mv <= CELL_MV[1]:
                found.append(f"{side.voltage_mv / 1_000:.2f} V on {side.cell_count} cells is"
                             f" {cell_mv / 1_000:.2f} V a cell: no LiFePO4 pack in order")  # fmt: skip
    return found


def _worries(pack: Side, bank: list[Side], inrush_ma: int, milliohm: float) -> list[str]:
    """Say why it should wait."""
    found = []
    moving_ma = [abs(side.current_ma or 0) for side in bank]
    if max(moving_ma) > RESTING_MA:
        found.append("current is flowing in the bank: stop chargers and loads, wait, measure again")
    into = inrush_ma >= 0
    most_ma = _least([pack.charge_limit_ma if into else pack.discharge_limit_ma])
    others_ma = _least([side.discharge_limit_ma if into else side.charge_limit_ma for side in bank])
    if most_ma is None or others_ma is None:
        found.append("a pack does not say its own limit: nothing to compare the rush with")
        return found
    bound_ma = min(most_ma, others_ma * len(bank))
    if abs(inrush_ma) > bound_ma:
        close_mv = bound_ma * milliohm * (1 + 1 / len(bank)) / 1_000
        way = "charge the pack alone" if into else "bring the pack down"
        found.append(f"that is above {bound_ma / 1_000:.0f} A, what the packs themselves allow:"
                     f" {way} until the voltages are within {close_mv / 1_000:.2f} V")  # fmt: skip
    return found


def _least(limits: list[int | None]) -> int | None:
    known = [limit for limit in limits if limit is not None]
    return min(known) if len(known) == len(limits) else None


def side_of(report: PackReport, cell_count: int | None = None) -> Side:
    """Return what a pack's report says of it."""
    count = report.cell_count or (len(report.cells_mv) if report.cells_mv else None) or cell_count
    return Side(report.voltage_mv, count, report.charge_current_limit_ma,
                report.discharge_current_limit_ma, report.current_ma)  # fmt: skip
