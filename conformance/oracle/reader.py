"""Reads a conversation of the driver protocol along, and keeps what follows from it.

`Reader.take` notes one exchange; after a step, `Reader.view` is what the target said and the rest
is what it had to know by then. A request that the target refused has changed nothing.
"""

import json

from attrs import evolve

from aggregator.settings import BankSettings
from conformance.oracle.breach import Plain
from conformance.oracle.exact import Exact
from conformance.oracle.records import Cycle, Side, Wish, settings_of
from conformance.oracle.site import LIVE, REMOVED, UNHEARD, Pack, path_open
from conformance.oracle.words import is_wish, sound_bus, sound_report, sound_wish

WRAP_MS = 1 << 30
SIDES = ("charge", "discharge")


class Reader:
    """What follows from the exchanges so far."""

    def __init__(self) -> None:
        self.settings: BankSettings | None = None
        self.saved: dict[str, tuple[list[Wish], set[str], Cycle, int]] = {}
        self.clear()

    def clear(self) -> None:
        """Nothing is known: a reset."""
        self.packs: list[Pack] = []
        self.wishes: list[Wish] = []
        self.sides = {side: Side() for side in SIDES}
        self.cycle = Cycle()
        self.now_ms = 0  # of the last step
        self.raw_ms: int | None = None  # the driver's own counter then
        self.dt_ms = 0
        self.view: Plain = {}
        self.before: Plain = {}  # the view of the step before
        self.bus: tuple[int, int | None, int] | None = None  # sample, current, taken
        self.bus_silent = False  # it was: then its count may start over
        self.soft_stage: Exact | None = None
        self.soft_wish: Exact | None = None
        self.currents: dict[str, int | None] = {}

    # Time.

    def at(self, raw_ms: object) -> int:
        """Return the time of a request, without wraps."""
        if type(raw_ms) is not int:
            return self.now_ms
        if self.raw_ms is None:
            self.raw_ms = raw_ms
        gone = (raw_ms - self.raw_ms) % WRAP_MS
        return self.now_ms + (gone if gone < WRAP_MS // 2 else gone - WRAP_MS)

    # Exchanges.

    def take(self, request: Plain, answer: Plain) -> None:
        """Note one exchange."""
        op = request.get("op")
        fine = answer.get("ok") is True
        if op == "reset" and fine:
            self.settings = settings_of(request)
            self.clear()
            if self.settings is not None:
                self.packs = [
                    Pack(pack) for pack in sorted(self.settings.packs, key=lambda one: one.pack)
                ]
            return
        if self.settings is None:
            return
        if fine and op in TAKERS:
            TAKERS[op](self, request, answer)

    def _report(self, request: Plain, answer: Plain) -> None:
        settings = self.settings
        names = [pack.name for pack in self.packs]
        if settings is None or sound_report(request, names, settings.cell_count) is not None:
            return  # taken, and should not have been: that breach is found elsewhere
        pack = self.pack(str(request["pack"]))
        sample = request["sample"]
        if isinstance(sample, int) and pack.is_news(sample):
            before = self.carrying(pack)
            now_ms = self.at(request.get("t"))
            pack.hears(
                request, now_ms, settings.fresh_ms, settings.unheard_ms, settings.recovery_samples
            )
            self._note_paths(before, pack)
        elif pack.doubtful:
            pack.may_have_moved(self.at(request.get("t")))

    def _bus(self, request: Plain, answer: Plain) -> None:
        if sound_bus(request):
            sample, current, age = (request.get(key) for key in ("sample", "current_ma", "age_ms"))
            assert isinstance(sample, int)
            ahead = 1 if self.bus is None else (sample - self.bus[0]) % 65_536
            if 0 < ahead < 32_768 or (self.bus_silent and ahead != 0):
                self.bus_silent = False
                taken = self.at(request.get("t")) - (age if isinstance(age, int) else 0)
                self.bus = (sample, current if isinstance(current, int) else None, taken)

    def _request(self, request: Plain, answer: Plain) -> None:
        kind, pack, source = (request.get(key) for key in ("kind", "pack", "source"))
        source = source if isinstance(source, str) else ""
        pack = pack if isinstance(pack, str) else None
        if is_wish(request):
            if sound_wish(request, [one.name for one in self.packs]):
                self._keep(request, str(kind), pack, source)
        elif kind == "clear":
            gone = (request.get("field"), pack, source)
            self.wishes = [wish for wish in self.wishes if wish.key() != gone]
        elif kind == "restore_pack":
            self.wishes = [
                wish for wish in self.wishes if (wish.kind, wish.pack) != ("withhold_pack", pack)
            ]
        elif kind == "start_bulk":
            self.cycle.asked = True
        elif kind == "adjust_stage" and isinstance(request.get("value"), int):
            self.cycle.adjusted[str(request.get("field"))] = request["value"]  # type: ignore[assignment]
        elif kind in ("declare_removed", "declare_returned") and pack is not None:
            self._declare(self.pack(pack), kind == "declare_removed")

    def _keep(self, request: Plain, kind: str, pack: str | None, source: str) -> None:
        value, lasts_ms = request.get("value"), request.get("lasts_ms")
        until_ms = self.at(request.get("t")) + lasts_ms if isinstance(lasts_ms, int) else None
        wish = Wish(kind, pack, source, value if isinstance(value, int) else 0, until_ms)
        self.wishes = [old for old in self.wishes if old.key() != wish.key()]
        self.wishes.append(wish)

    def _declare(self, pack: Pack, removed: bool) -> None:
        before = self.carrying()
        if removed:
            pack.presence, pack.in_a_row = REMOVED, 0
        elif pack.presence == REMOVED:
            pack.presence, pack.in_a_row = UNHEARD, 0
        self._note_paths(before)

    def _snapshot(self, request: Plain, answer: Plain) -> None:
        removed = {pack.name for pack in self.packs if pack.presence == REMOVED}
        kept = evolve(self.cycle, adjusted=dict(self.cycle.adjusted))
        text = json.dumps(answer.get("state"), sort_keys=True)
        self.saved[text] = (list(self.wishes), removed, kept, self.now_ms)

    def _restore(self, request: Plain, answer: Plain) -> None:
        known = self.saved.get(json.dumps(request.get("state"), sort_keys=True))
        if known is None:
            return
        wishes, removed, cycle, then_ms = known
        gone_ms = self.at(request.get("t")) - then_ms
        since = {wish.key() for wish in self.wishes}  # wished since then: newer
        self.wishes += [
            wish if wish.until_ms is None else evolve(wish, until_ms=wish.until_ms + gone_ms)
            for wish in wishes
            if wish.key() not in since
        ]
        for pack in self.packs:
            if pack.name in removed and not pack.is_heard():
                pack.presence = REMOVED
        self.cycle = evolve(cycle, adjusted=cycle.adjusted | self.cycle.adjusted, shown=None)

    def _step(self, request: Plain, answer: Plain) -> None:
        settings, view = self.settings, answer.get("view")
        assert settings is not None
        now_ms = max(self.now_ms, self.at(request.get("t")))
        self.dt_ms, self.now_ms = now_ms - self.now_ms, now_ms
        raw_ms = request.get("t")
        self.raw_ms = raw_ms if type(raw_ms) is int else self.raw_ms
        if self.bus is not None and now_ms - self.bus[2] > settings.fresh_ms:
            self.bus_silent = True
        before = self.carrying()
        self._note_moves()
        for pack in self.packs:
            still = any(path_open(pack, side, settings.zero_current_ma) for side in SIDES)
            pack.ages(now_ms, settings.fresh_ms, settings.unheard_ms, settings.frozen_ms, still)
        self._note_paths(before)
        self.wishes = [
            wish for wish in self.wishes if wish.until_ms is None or now_ms < wish.until_ms
        ]
        self.before, self.view = self.view, view if isinstance(view, dict) else {}

    # What follows.

    def pack(self, name: str) -> Pack:
        """Return a pack by its name."""
        return next(pack for pack in self.packs if pack.name == name)

    def heard(self) -> list[Pack]:
        """Live and late packs."""
        return [pack for pack in self.packs if pack.is_heard()]

    def some(self, presence: str) -> list[Pack]:
        """Packs with this presence."""
        return [pack for pack in self.packs if pack.presence == presence]

    def late(self) -> list[Pack]:
        """Packs whose reading is too old to let anything rise."""
        assert self.settings is not None
        return [p for p in self.packs if p.is_late(self.now_ms, self.settings.fresh_ms)]

    def carrying(self, *packs: Pack) -> dict[str, list[str]]:
        """Return which heard packs, of these or of all, have a path, for each direction."""
        assert self.settings is not None
        zero_ma = self.settings.zero_current_ma
        heard = [pack for pack in packs or self.packs if pack.is_heard()]
        return {
            side: [pack.name for pack in heard if not path_open(pack, side, zero_ma)]
            for side in SIDES
        }

    def wished(self, kind: str) -> list[int]:
        """Return the values of every wish of a kind that is in force."""
        return [wish.value for wish in self.wishes if wish.kind == kind]

    def is_sure(self) -> bool:
        """Is it beyond doubt which packs count? Not where one may pass for frozen."""
        return not any(pack.doubtful for pack in self.packs)

    def voltage_mv(self) -> int | None:
        """Return the mean over live packs, rounded down."""
        known = [pack.number("voltage_mv") for pack in self.some(LIVE)]
        said = [value for value in known if value is not None]
        return sum(said) // len(said) if said else None

    def stage_number(self, name: str) -> int | None:
        """Return a stage setting in force: the owner's adjustment, or the installer's."""
        assert self.settings is not None
        if name in self.cycle.adjusted:
            return self.cycle.adjusted[name]
        installed = getattr(self.settings.stages, name)
        per_cell = {"absorption_mv": 3_450, "float_mv": 3_350}
        if installed is None and name in per_cell:
            return per_cell[name] * self.settings.cell_count
        return int(installed) if installed is not None else None

    def _note_paths(self, before: dict[str, list[str]], *packs: Pack) -> None:
        """Note that who shares the current has changed; a device may count from its last step.

        While a pack may pass for frozen nobody can tell when it left.
        """
        if not self.is_sure():
            return
        for side, carriers in self.carrying(*packs).items():
            if carriers != before[side]:
                self.sides[side].path_changed_at = self.now_ms

    def _note_moves(self) -> None:
        """A pack that stands still while another one's current moves may be frozen."""
        assert self.settings is not None
        now = {pack.name: pack.number("current_ma") for pack in self.packs}
        sure = self.settings.zero_current_ma * 2
        for pack in self.packs:
            moves = [
                abs(a - b)
                for name in now
                if name != pack.name
                and (a := now[name]) is not None
                and (b := self.currents.get(name)) is not None
            ]
            pack.stirs += any(move >= sure for move in moves)
            pack.others_moved = pack.others_moved or any(moves)
        self.currents = now


TAKERS = {
    "report": Reader._report,
    "bus": Reader._bus,
    "request": Reader._request,
    "snapshot": Reader._snapshot,
    "restore": Reader._restore,
    "step": Reader._step,
}
