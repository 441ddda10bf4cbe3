"""The bank as a SunSpec battery: shows the image, obeys what the other side may write.

A server's link runs it (adapters/registers.py says in what shape: Image, Written, Idle).

    SetOp    2 DISCONNECT: stop_charge and stop_discharge; 1 CONNECT: both cleared. No contactor is moved
    AlmRst   taken, and 0 again at once: alarms are the packs' own
    CtrlHb   the controller's heartbeat; if it stands still for `controller_ms`, a wish of the owner's
             choice is asked, and cleared when it moves again
    SetInvState   kept, shown

The heartbeat counts seconds in which we may speak. When nothing is heard, or the bank's last step is
too old, it stands still, State is FAULT, Evt1 tells a communication error, and no current is allowed.
"""

from collections.abc import Sequence

from attrs import evolve, frozen
from attrs import field as attr
from attrs.validators import in_

from adapters.counts import Counts
from adapters.links import Record
from adapters.readings import Readings
from adapters.registers import (
    HOLDING,
    OTHERS_SPEAK,
    Idle,
    Image,
    ServerItem,
    Written,
    limits_of,
    who,
    within,
)
from adapters.sunspec.battery import CONNECT, DISCONNECT, Controls
from adapters.sunspec.image import BATTERY_AT, image
from adapters.sunspec.models import BASES, BATTERY
from adapters.sunspec.ratings import POSITIVE, Ratings
from aggregator import BankSettings, Request, SystemView
from aggregator.ticks import since

EVERY_MS = 1_000  # the image is renewed at least so often
NOMINAL_CELL_MV = 3_200  # for rated energy (common practice, no source)
BEATS = 65_535  # the heartbeat's highest number would say "not implemented"
CONTROLS = ("CtrlHb", "AlmRst", "SetOp", "SetInvState")
STOPS = ("stop_charge", "stop_discharge")


@frozen(kw_only=True)
class SunSpecSettings:
    """How the bank appears. Ratings that are left out are taken from the bank's settings."""

    # our address on the bus, 1..247
    device: int = attr(default=1, validator=within(1, 247))
    base: int = attr(default=BASES[0], validator=in_(BASES))  # where the chain begins
    # as it is shown to those who ask
    serial_number: str = "1"
    # as it is shown to those who ask
    model: str = "bank of packs"
    # Which way A and W flow when positive; see ratings.POSITIVE, and check it on your inverter.
    positive: str = attr(default=POSITIVE, validator=in_(("charge", "discharge")))
    # Whoever reaches the port may stop and start the bank by SetOp; false: nothing is writable but
    # the heartbeat.
    obeys: bool = True
    # who asks, in the requests made of it: of several such devices each its own, or one takes back
    # what another asked for
    source: str = attr(default="sunspec", validator=who)
    # The controller's heartbeat has to move within this time; None: it is not watched. Shorter
    # reacts sooner, longer forgives a busy network; at least three of its periods.
    controller_ms: int | None = attr(default=None, validator=within(2_000, 3_600_000))
    # What is asked when it does not: kinds of wishes without a value.
    controller_lost: list[str] = attr(factory=lambda: ["stop_charge"])
    # mAh; left out: the sum of the packs'
    rated_capacity_mah: int | None = None
    # Wh; left out: capacity times the nominal voltage
    rated_energy_wh: int | None = None
    # mA; left out: the ceilings of the bank and the packs
    rated_charge_ma: int | None = None
    # mA; left out: likewise
    rated_discharge_ma: int | None = None

    def __attrs_post_init__(self) -> None:
        if not set(self.controller_lost) <= set(STOPS):
            raise ValueError("controller_lost with " + " and ".join(STOPS) + ", or one of them")


def ratings_of(chosen: SunSpecSettings, bank: BankSettings) -> Ratings:
    """Return the ratings. Raises ValueError: one is neither given nor known from the bank."""
    capacity_mah = chosen.rated_capacity_mah or _sum([one.capacity_mah for one in bank.packs])
    if capacity_mah is None:
        raise ValueError("rated_capacity_mah, as not every pack has a capacity_mah")
    energy_wh = capacity_mah * bank.cell_count * NOMINAL_CELL_MV // 1_000_000
    charge = [bank.charge_current_ceiling_ma, _sum([one.charge_current_ceiling_ma for one in bank.packs])]  # fmt: skip
    discharge = [bank.discharge_current_ceiling_ma, _sum([one.discharge_current_ceiling_ma for one in bank.packs])]  # fmt: skip
    return Ratings(
        capacity_mah=capacity_mah,
        energy_wh=chosen.rated_energy_wh or energy_wh,
        # Without any ceiling: what would fill the bank in an hour.
        charge_ma=chosen.rated_charge_ma or _least(charge) or capacity_mah,
        discharge_ma=chosen.rated_discharge_ma or _least(discharge) or capacity_mah,
        voltage_mv=bank.charge_voltage_ceiling_mv,
        model=chosen.model,
        serial_number=chosen.serial_number,
        positive=chosen.positive,
    )


def _sum(values: list[int | None]) -> int | None:
    known = [value for value in values if value is not None]
    return sum(known) if len(known) == len(values) else None


def _least(values: list[int | None]) -> int | None:
    return min((value for value in values if value is not None), default=None)


class SunSpecServer:
    """Talker of a server's link."""

    def __init__(
        self, settings: SunSpecSettings, ratings: Ratings, readings: Readings | None = None
    ) -> None:
        self.counts = Counts()
        self._settings = settings
        self._ratings = ratings
        self._readings = readings or Readings()
        self._controls = Controls(obeys=settings.obeys)
        self._watchdog = settings.source + " watchdog"
        asks = settings.obeys or settings.controller_ms is not None
        self.source = settings.source if asks else None
        self._beat_ms = 0
        self._seen_ms: int | None = None  # the last look at the clock
        self._shown: object = None
        self._shown_ms = 0
        self._watched_ms: int | None = None  # since when the controller's heartbeat stands still
        self._lost = False
        self._heard = False
        names = CONTROLS if settings.obeys else ("CtrlHb",)
        start = settings.base + BATTERY_AT
        self._names = {start + BATTERY.offset(name): name for name in names}

    def opened(self, now_ms: int) -> None:
        """Show the image anew."""
        self._shown = None
        if self._watched_ms is None:
            self._watched_ms = now_ms

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[ServerItem]:
        """Return the image when a limit has changed or something was written, and every second."""
        self._count(now_ms, may_speak)
        elsewhere = view.role in OTHERS_SPEAK
        current = (elsewhere, limits_of(view, may_speak), self._controls)
        if current == self._shown and 0 <= since(now_ms, self._shown_ms) < EVERY_MS:
            return ()
        self._shown, self._shown_ms = current, now_ms
        if elsewhere:
            return (Image(self._settings.device, None),)
        words = image(view, self._readings, self._ratings, self._controls, not may_speak)
        table = dict(enumerate(words, self._settings.base))
        return (Image(self._settings.device, {HOLDING: table}, frozenset(self._names)),)

    def _count(self, now_ms: int, may_speak: bool) -> None:
        """Let the heartbeat count the time in which we may speak."""
        gone_ms = 0 if self._seen_ms is None else since(now_ms, self._seen_ms)
        self._seen_ms = now_ms
        if may_speak and gone_ms > 0:
            self._beat_ms = (self._beat_ms + gone_ms) % (BEATS * 1_000)
            beat = self._beat_ms // 1_000
            if beat != self._controls.beat:
                self._controls = evolve(self._controls, beat=beat)

    def received(self, item: ServerItem, now_ms: int) -> Sequence[Record]:
        """Return what was asked for by writing, or by the controller's silence."""
        found: list[Record] = []
        if isinstance(item, Written) and item.device == self._settings.device:
            for address, word in item.words:
                if address in self._names:
                    self.counts.received += 1
                    found += self._take(self._names[address], word, now_ms)
        if isinstance(item, Written | Idle):
            found += self._watch(now_ms)
        return found

    def _take(self, name: str, word: int, now_ms: int) -> list[Record]:
        """Take one written register."""
        if name == "CtrlHb":
            return self._controller_beats(word, now_ms)
        if name == "SetInvState" and 1 <= word <= 3:
            self._controls = evolve(self._controls, set_inverter_state=word)
        elif name == "SetOp" and word in (CONNECT, DISCONNECT):
            self._controls = evolve(self._controls, set_operation=word)
            if word == DISCONNECT:
                return [Request(kind, source=self._settings.source) for kind in STOPS]
            return [Request("clear", source=self._settings.source, field=kind) for kind in STOPS]
        elif name != "AlmRst" or word not in (0, 1):
            self.counts.refuse(f"{name}: {word} means nothing")
        self._shown = None
        return []

    def _controller_beats(self, word: int, now_ms: int) -> list[Record]:
        """Its heartbeat counts if it moves. What was asked in its absence is taken back, and so is
        what may be left from before our start."""
        if self._heard and word == self._controls.controller_beat:
            return []
        self._controls = evolve(self._controls, controller_beat=word)
        self._watched_ms = now_ms
        back = self._lost or not self._heard
        self._lost, self._heard = False, True
        if not back or self._settings.controller_ms is None:
            return []
        lost = self._settings.controller_lost
        return [Request("clear", source=self._watchdog, field=kind) for kind in lost]

    def _watch(self, now_ms: int) -> list[Record]:
        """Ask for the owner's wish once the controller's heartbeat has stood still for too long."""
        allowed_ms = self._settings.controller_ms
        if allowed_ms is None or self._lost or self._watched_ms is None:
            return []
        if 0 <= since(now_ms, self._watched_ms) <= allowed_ms:
            return []
        self._lost = True
        self.counts.refuse("the controller's heartbeat (CtrlHb) stands still")
        return [Request(kind, source=self._watchdog) for kind in self._settings.controller_lost]
