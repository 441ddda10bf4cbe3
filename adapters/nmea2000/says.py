"""The bank's battery messages for displays, and what chargers say of themselves. Telemetry only."""

from collections.abc import Callable, Sequence
from typing import Any

from attrs import field as attr
from attrs import frozen
from attrs.validators import optional

from adapters.counts import Counts
from adapters.links import Record
from adapters.nmea2000.claim import ADDRESS_CLAIM, Claim, name_of
from adapters.nmea2000.groups import (
    BATTERY_CONFIGURATION,
    BATTERY_STATUS,
    CHARGER_STATES,
    CHARGER_STATUS,
    DC_DETAILED_STATUS,
    LITHIUM,
    NOMINAL,
    Group,
)
from adapters.nmea2000.packets import EVERYBODY, REQUEST, Frame, Joiner, identifier, parted, pieces
from aggregator import SystemView
from aggregator.ticks import since

PERIODS_MS = {BATTERY_STATUS: 1_500, DC_DETAILED_STATUS: 1_500, BATTERY_CONFIGURATION: 60_000}
HIGHEST_SID = 252
MOST_CHARGERS = 32
LEAST_FLOW_MA = 500  # with less, the time left is no number worth showing
HOUR_MS = 3_600_000


def within(low: int, high: int) -> Callable[[Any, Any, int], None]:
    """Return a validator: a whole number from `low` to `high`."""

    def check(_: object, __: object, value: int) -> None:
        if not low <= value <= high:
            raise ValueError(f"a whole number from {low} to {high}")

    return check


def _nominal(_: object, __: object, volts: int | None) -> None:
    if volts is not None and volts not in NOMINAL:
        raise ValueError("one of " + ", ".join(str(one) for one in NOMINAL))


@frozen(kw_only=True)
class SaysNmea2000:
    """The bank as one battery."""

    instance: int = attr(default=0, validator=within(0, 252))  # no other battery may have it
    # Our address on the bus. With a manufacturer code it is claimed as the standard wants, and another
    # one taken if somebody has it; without, no other device may have it.
    source_address: int = attr(default=35, validator=within(0, 251))
    # Yours: such codes are assigned by the standard's body. Left out: no address is claimed.
    manufacturer_code: int | None = attr(default=None, validator=optional(within(0, 2_046)))
    unique_number: int = attr(
        default=1, validator=within(0, 2_097_151)
    )  # of your devices, each its own
    nominal_v: int | None = attr(default=None, validator=_nominal)  # 12, 24, 48; left out: not said


@frozen
class Charger:
    """What a charger said last."""

    battery: int | None  # the instance it charges
    state: str | None
    enabled: bool | None
    heard_ms: int


class Nmea2000Bank:
    """The bank's view -> battery messages (links.Talker). `chargers`: (source, instance) -> Charger."""

    def __init__(self, settings: SaysNmea2000) -> None:
        self.counts = Counts()
        self.chargers: dict[tuple[int, int], Charger] = {}
        self._settings = settings
        self._address = settings.source_address
        code = settings.manufacturer_code
        self._claim = None
        if code is not None:
            name = name_of(code, settings.unique_number, settings.instance)
            self._claim = Claim(settings.source_address, name)
        self._joiner = Joiner()
        self._sid = 0
        self._sequence = dict.fromkeys(PERIODS_MS, 0)
        self._sent_ms: dict[Group, int] = {}
        self._capacity_mah: int | None = None

    def opened(self, now_ms: int) -> None:
        """Everything is due; half messages are forgotten."""
        self._sent_ms.clear()
        self._joiner = Joiner()
        if self._claim is not None:
            self._claim.opened()

    def received(self, item: Frame, now_ms: int) -> Sequence[Record]:
        """Keep what a charger says; a request makes what it asks for due."""
        found = parted(item[0])
        if found is None:
            return ()
        group, source, destination = found
        if group == REQUEST and destination in (EVERYBODY, self._address):
            self._requested(int.from_bytes(item[1][:3], "little"))
        elif group == ADDRESS_CLAIM and self._claim is not None:
            self._claim.heard(source, item[1])
            self._address = self._claim.address
        elif group == CHARGER_STATUS.number:
            message = self._joiner.take(group, source, item[1])
            if message is not None:
                self._charger(source, message, now_ms)
        return ()

    def _requested(self, wanted: int) -> None:
        """Make a group due that somebody asked for."""
        if wanted == ADDRESS_CLAIM and self._claim is not None:
            self._claim.requested()
        for one in PERIODS_MS:
            if one.number == wanted:
                self._sent_ms.pop(one, None)

    def _charger(self, source: int, message: bytes, now_ms: int) -> None:
        self.counts.received += 1
        values = CHARGER_STATUS.values(message)
        if values is None or values["instance"] is None:
            self.counts.refuse("a charger's status that is too short, or of no instance")
            return
        key = source, values["instance"]
        if len(self.chargers) >= MOST_CHARGERS and key not in self.chargers:
            self.counts.refuse("more chargers than can be kept")
            return
        state, enabled = values["state"], values["enabled"]
        known = state is not None and state < len(CHARGER_STATES)
        self.chargers[key] = Charger(
            values["battery"],
            CHARGER_STATES[state] if known and state is not None else None,
            None if enabled is None else enabled == 1,
            now_ms,
        )

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[Frame]:
        """Return the messages that are due; nothing in them is obeyed by a charger."""
        claims = self._claim.due(now_ms) if self._claim is not None else []
        if self._claim is not None and not self._claim.may_send(now_ms):
            return claims
        if view.capacity_mah != self._capacity_mah:
            self._capacity_mah = view.capacity_mah
            self._sent_ms.pop(BATTERY_CONFIGURATION, None)
        groups = [group for group in PERIODS_MS if self._is_due(group, now_ms)]
        if BATTERY_STATUS in groups:
            self._sid = (self._sid + 1) % (HIGHEST_SID + 1)
        values = said(view, self._settings) | {"sid": self._sid}
        made = [frame for group in groups for frame in self._frames(group, values, now_ms)]
        return claims + made

    def _is_due(self, group: Group, now_ms: int) -> bool:
        sent_ms = self._sent_ms.get(group)
        return sent_ms is None or not 0 <= since(now_ms, sent_ms) < PERIODS_MS[group]

    def _frames(self, group: Group, values: dict[str, int | None], now_ms: int) -> list[Frame]:
        self._sent_ms[group] = now_ms
        can_id = identifier(group.number, self._address)
        if not group.is_fast:
            return [(can_id, group.data(values))]
        self._sequence[group] = (self._sequence[group] + 1) % 8
        return [(can_id, piece) for piece in pieces(group.data(values), self._sequence[group])]


def said(view: SystemView, settings: SaysNmea2000) -> dict[str, int | None]:
    """Return the fields of all groups. The temperature is the hottest; unknown stays unknown."""
    nominal = None if settings.nominal_v is None else NOMINAL[settings.nominal_v]
    return {
        "instance": settings.instance,
        "dc_type": 0,
        "voltage_mv": view.voltage_mv,
        "current_ma": view.current_ma,
        "temperature_decic": view.temperature_max_decic,
        "soc_permille": view.soc_permille,
        "soh_permille": view.soh_permille,
        "time_left_ms": time_left_ms(view),
        "remaining_mah": view.remaining_mah,
        "equalization": 0,
        "nominal": nominal,
        "chemistry": LITHIUM,
        "capacity_mah": view.capacity_mah,
    }


def time_left_ms(view: SystemView) -> int | None:
    """Return how long the charge lasts at the present current; None: it does not flow out."""
    if view.remaining_mah is None or view.current_ma is None or view.current_ma > -LEAST_FLOW_MA:
        return None
    return view.remaining_mah * HOUR_MS // -view.current_ma


def charger_frames(
    source: int, instance: int, battery: int, state: str, sequence: int = 0
) -> list[Frame]:
    """The other side: what a charger would send. `state`: one of CHARGER_STATES."""
    values = {
        "instance": instance,
        "battery": battery,
        "state": CHARGER_STATES.index(state),
        "mode": 0,
        "enabled": 1,
        "equalization_pending": 0,
    }
    can_id = identifier(CHARGER_STATUS.number, source)
    return [(can_id, piece) for piece in pieces(CHARGER_STATUS.data(values), sequence)]
