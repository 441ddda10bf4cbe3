"""Each pack as a person wants to see it: is it there, what does it add, and if nothing, why."""

from .bank import Bank
from .direction import Direction
from .pack import LIVE, Pack
from .view import PackRow, RowSource

# Why a live pack adds nothing in one direction, the first that holds; functions of a direction
# and a pack.


def path_open(side: Direction, pack: Pack) -> bool:
    """Its path is open in this direction."""
    return side.open[pack.index] == 1


def refuses(side: Direction, pack: Pack) -> bool:
    """Its board refuses."""
    return side.says_no[pack.index] == 1


def withheld(side: Direction, pack: Pack) -> bool:
    """The owner keeps it out of the sums."""
    return pack.withheld


def limit_unknown(side: Direction, pack: Pack) -> bool:
    """It does not say its own limit."""
    return side.own_ma[pack.index] is None


def temperature(side: Direction, pack: Pack) -> bool:
    """Too cold, too hot, or its temperature is unknown."""
    return side.way.by_temperature_permille(pack) == 0


def cell(side: Direction, pack: Pack) -> bool:
    """Its extreme cell has arrived, or is unknown."""
    return side.way.by_cell_permille(pack) == 0


def own_limit_zero(side: Direction, pack: Pack) -> bool:
    """Its own limit leaves nothing after tolerance and margin."""
    return side.contribution_ma[pack.index] == 0


REASONS = (
    ("path_open", path_open),
    ("refuses", refuses),
    ("withheld", withheld),
    ("limit_unknown", limit_unknown),
    ("temperature", temperature),
    ("cell", cell),
    ("own_limit_zero", own_limit_zero),
)


class BankRows(RowSource):
    """The rows of a running bank."""

    def __init__(self, bank: Bank) -> None:
        self.bank = bank

    def pack_rows(self) -> list[PackRow]:
        """Return a row for each pack, in the order of their names."""
        bank = self.bank
        rows = []
        for pack in bank.packs:
            row = PackRow(pack.settings.pack)
            row.presence = pack.presence
            row.charge_contribution_ma = bank.charge.contribution_ma[pack.index]
            row.discharge_contribution_ma = bank.discharge.contribution_ma[pack.index]
            if bank.shares.learned:
                row.share_permille = bank.shares.share_permille[pack.index]
            row.why_ignored = _why(bank, pack)
            rows.append(row)
        return rows


def _why(bank: Bank, pack: Pack) -> str | None:
    if pack.presence != LIVE:
        return pack.silence
    for side in bank.currents:
        if side.contribution_ma[pack.index] == 0:
            for reason, holds in REASONS:
                if holds(side, pack):
                    return side.way.name + ": " + reason
    return None
