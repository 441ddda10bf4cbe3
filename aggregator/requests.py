"""What the owner asks: wishes (narrow only), commands (newest wins), declarations (who is there).

Wishes are kept by (kind, pack, source): a repeat replaces, at most 16 are kept. The strictest one
wins, so their order cannot matter; one that has run out is as if it had never been. Commands and
declarations act at once and are not kept.
"""

from .errors import Refusal
from .reference import NO_CAP
from .report import LONGEST_MS, bad_id

MOST_REQUESTS = 16
LONGEST_SOURCE = 32
FOREVER = -1

WISH = "wish"
COMMAND = "command"
DECLARATION = "declaration"

# kind, sort, names a pack, lowest and highest value (None: takes no value), may it run out?
KINDS = (
    ("withhold_pack", WISH, True, None, None, True),  # keep this pack out of the sums
    ("cap_charge_current", WISH, False, 0, 32_000_000, True),  # mA, whole bank
    ("cap_discharge_current", WISH, False, 0, 32_000_000, True),  # mA, whole bank
    ("cap_charge_voltage", WISH, False, 10_000, 120_000, True),  # mV
    ("stop_charge", WISH, False, None, None, False),  # until cleared
    ("stop_discharge", WISH, False, None, None, False),  # until cleared
    ("top_soc_permille", WISH, False, 0, 1_000, True),  # charge no further
    ("reserve_soc_permille", WISH, False, 0, 1_000, True),  # discharge no further
    ("full_charge_every_days", WISH, False, 1, 365, True),  # then top_soc_permille waits
    ("restore_pack", COMMAND, True, None, None, False),  # drop every withhold_pack of this pack
    ("clear", COMMAND, False, None, None, False),  # drop the wish (field = its kind, pack, source)
    ("start_bulk", COMMAND, False, None, None, False),  # a new charge
    ("adjust_stage", COMMAND, False, 0, LONGEST_MS, False),  # field = a stage setting
    ("declare_removed", DECLARATION, True, None, None, False),  # it was disconnected
    ("declare_returned", DECLARATION, True, None, None, False),  # it is connected again
)


class Request:
    """One wish, command or declaration; `kind`, units and ranges: the table KINDS.

    `lasts_ms`: how long a wish holds (1..120 h), None: until cleared; `source`: who asks, up to 32
    characters; `field`: what `clear` drops (a kind) or `adjust_stage` changes (a stage setting).
    Raises nothing: `Aggregator.request` checks.
    """

    __slots__ = ("field", "kind", "lasts_ms", "pack", "source", "value")

    def __init__(
        self,
        kind: str,
        pack: str | None = None,
        value: int | None = None,
        lasts_ms: int | None = None,
        source: str = "",
        field: str | None = None,
    ) -> None:
        self.kind = kind
        self.pack = pack
        self.value = value
        self.lasts_ms = lasts_ms
        self.source = source
        self.field = field


class Wish:
    """A wish that is kept: `left_ms` runs down, FOREVER does not."""

    def __init__(self, kind: str, pack: str, value: int, left_ms: int, source: str) -> None:
        self.kind = kind
        self.pack = pack  # "" for the bank
        self.value = value
        self.left_ms = left_ms
        self.source = source


def row_of(kind: object) -> tuple[str, str, bool, int | None, int | None, bool] | None:
    """Return the row of KINDS for `kind`, or None."""
    if isinstance(kind, str):
        for row in KINDS:
            if row[0] == kind:
                return row
    return None


def check_request(request: Request, names: list[str]) -> Refusal | None:
    """Say what in a request cannot be, or None. `names`: the packs'."""
    row = row_of(request.kind)
    if row is None:
        return Refusal("kind", "one of the kinds of request", request.kind)
    kind, _, needs_pack, low, high, may_run_out = row
    pack = request.pack
    if needs_pack or (kind == "clear" and pack is not None):
        if bad_id(pack) is not None or pack not in names:
            return Refusal("pack", "the name of a pack", pack)
    elif pack is not None:
        return Refusal("pack", "null, this concerns the whole bank", pack)
    value = request.value
    if low is None or high is None:
        if value is not None:
            return Refusal("value", "null for " + kind, value)
    elif type(value) is not int or value < low or value > high:
        return Refusal("value", str(low) + ".." + str(high), value)
    lasts_ms = request.lasts_ms
    if lasts_ms is not None:
        if not may_run_out:
            return Refusal("lasts_ms", "null, " + kind + " does not run out", lasts_ms)
        if type(lasts_ms) is not int or not 1 <= lasts_ms <= LONGEST_MS:
            return Refusal("lasts_ms", "1.." + str(LONGEST_MS) + " or null", lasts_ms)
    source = request.source
    if not isinstance(source, str) or len(source) > LONGEST_SOURCE or not _plain(source):
        return Refusal("source", "at most 32 plain characters", source)
    if kind != "clear" and kind != "adjust_stage" and request.field is not None:
        return Refusal("field", "null for " + kind, request.field)
    return None


def _plain(text: str) -> bool:
    return all([" " <= c <= "~" for c in text])


class Wishes:
    """The wishes in force, and what they come to (NO_CAP or None: nothing)."""

    def __init__(self) -> None:
        self.kept: list[Wish] = []
        self.settle()

    def keep(self, wish: Wish) -> Refusal | None:
        """Take a wish, in place of an earlier one of the same kind, pack and source."""
        others = [old for old in self.kept if not _same(old, wish.kind, wish.pack, wish.source)]
        if len(others) >= MOST_REQUESTS:
            return Refusal("kind", "at most 16 wishes at a time; clear one first", wish.kind)
        others.append(wish)
        self.kept = others
        self.settle()
        return None

    def drop(self, kind: str, pack: str, source: str | None) -> int:
        """Drop the wishes of this kind, pack and source (None: any source); return how many."""
        before = len(self.kept)
        self.kept = [old for old in self.kept if not _same(old, kind, pack, source)]
        self.settle()
        return before - len(self.kept)

    def run_down(self, dt_ms: int) -> bool:
        """Let time pass; return whether a wish ran out."""
        ended = False
        for wish in self.kept:
            if wish.left_ms != FOREVER:
                wish.left_ms = max(0, wish.left_ms - dt_ms)
                ended = ended or wish.left_ms == 0
        if ended:
            self.kept = [wish for wish in self.kept if wish.left_ms != 0]
            self.settle()
        return ended

    def withheld(self, pack: str) -> bool:
        """Is this pack to be kept out of the sums?"""
        for wish in self.kept:
            if wish.kind == "withhold_pack" and wish.pack == pack:
                return True
        return False

    def settle(self) -> None:
        """Work out the strictest of each kind."""
        self.charge_ma = self._least("cap_charge_current", NO_CAP)
        self.discharge_ma = self._least("cap_discharge_current", NO_CAP)
        voltage_mv = self._least("cap_charge_voltage", NO_CAP)
        self.charge_mv = None if voltage_mv == NO_CAP else voltage_mv
        self.stop_charge = self._least("stop_charge", NO_CAP) == 0
        self.stop_discharge = self._least("stop_discharge", NO_CAP) == 0
        top = self._least("top_soc_permille", NO_CAP)
        self.top_permille = None if top == NO_CAP else top
        days = self._least("full_charge_every_days", NO_CAP)
        self.full_every_days = None if days == NO_CAP else days
        reserve = 0
        for wish in self.kept:
            if wish.kind == "reserve_soc_permille":
                reserve = max(reserve, wish.value)
        self.reserve_permille = reserve

    def _least(self, kind: str, none: int) -> int:
        least = none
        for wish in self.kept:
            if wish.kind == kind and wish.value < least:
                least = wish.value
        return least


def _same(wish: Wish, kind: str, pack: str, source: str | None) -> bool:
    return wish.kind == kind and wish.pack == pack and (source is None or wish.source == source)
