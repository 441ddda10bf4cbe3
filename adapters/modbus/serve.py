"""The bank in registers of the owner's choice, served to whoever reads them.

May we not speak (nothing is heard, or the bank's last step is too old), both currents show as 0 and
not allowed, and the heartbeat stands still. While another board speaks for the bank, nothing is
shown: reads get an exception.
"""

from collections.abc import Sequence

from attrs import field as attr
from attrs import frozen
from attrs.validators import optional

from adapters.counts import Counts
from adapters.links import Record
from adapters.modbus.bank import Speller
from adapters.modbus.maps import RegisterMap
from adapters.modbus.requests import asked
from adapters.modbus.spell import Unsayable
from adapters.registers import (
    HOLDING,
    OTHERS_SPEAK,
    Image,
    ServerItem,
    Written,
    limits_of,
    who,
    within,
)
from aggregator import SystemView
from aggregator.ticks import since

RENEW_MS = 1_000  # a server forgets an image that is not renewed


@frozen(kw_only=True)
class ServeSettings:
    """Serving a bank's map (of = "bank") as one device."""

    # the map's file, relative to SITE.toml
    map: str
    # our address on the bus, 0..255
    device: int = attr(default=1, validator=within(0, 255))
    # Anybody who reaches the port may write what the map's [[writes]] list; false: nobody may.
    writable: bool = True
    # who asks, in the requests made of it: of several such devices each its own, or one takes back
    # what another asked for; left out: modbus and the device's address
    source: str | None = attr(default=None, validator=optional(who))


class BankServer:
    """Talker of a server's link: shows the bank, takes what the map lets others write."""

    def __init__(self, map_: RegisterMap, settings: ServeSettings) -> None:
        self.counts = Counts()
        self._device = settings.device
        self._source = settings.source or f"modbus {settings.device}"
        self._speller = Speller(map_)
        self._functions = {group.name: group.function for group in map_.groups}
        self._every_ms = min((group.every_ms for group in map_.groups), default=1_000)
        self._writes = [(row, map_.layout(row)) for row in map_.writes if settings.writable]
        self._written = {
            at: 0 for row, layout in self._writes for at in _span(row.address, layout.size)
        }
        self.source = self._source if self._writes else None
        self._beat = 0
        self._beat_ms: int | None = None
        self._shown_ms: int | None = None
        self._shown: object = None

    def opened(self, now_ms: int) -> None:
        """Show the image anew."""
        self._shown_ms = None

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[ServerItem]:
        """Return the image when a limit has changed or something was written; with every beat of
        the heartbeat, in the period of the map's fastest group; and at least every second."""
        elsewhere = view.role in OTHERS_SPEAK
        news = (elsewhere, limits_of(view, may_speak), dict(self._written))
        if self._has_passed(self._beat_ms, self._every_ms, now_ms) and may_speak:
            self._beat, self._beat_ms = self._beat + 1, now_ms
        elif news == self._shown and not self._has_passed(self._shown_ms, RENEW_MS, now_ms):
            return ()
        self._shown, self._shown_ms = news, now_ms
        if elsewhere:
            return (Image(self._device, None),)
        try:
            said = self._speller.says(view, not may_speak, self._beat)
        except Unsayable as error:
            self.counts.refuse(str(error))
            return (Image(self._device, None),)
        tables: dict[int, dict[int, int]] = {HOLDING: dict(self._written)}
        for name, words in said.items():
            tables.setdefault(self._functions[name], {}).update(words)
        return (Image(self._device, tables, frozenset(self._written)),)

    @staticmethod
    def _has_passed(last_ms: int | None, ms: int, now_ms: int) -> bool:
        return last_ms is None or not 0 <= since(now_ms, last_ms) < ms

    def received(self, item: ServerItem, now_ms: int) -> Sequence[Record]:
        """Return what was asked for by writing. Half of a number in two registers is refused."""
        if not isinstance(item, Written) or item.device != self._device:
            return ()
        news = {at: word for at, word in item.words if at in self._written}
        if not news:
            return ()
        self._written.update(news)
        found = []
        for write, layout in self._writes:
            span = _span(write.address, layout.size)
            if not any(at in news for at in span):
                continue
            if not all(at in news for at in span):
                self.counts.refuse(f"only half of {write.request} at {write.address} was written")
                continue
            number = layout.number([news[at] for at in span])
            request = asked(write, number, self._source)
            if request is None:
                self.counts.refuse(f"{write.request}: {number} means nothing")
            else:
                self.counts.received += 1
                found.append(request)
        return found


def _span(address: int, size: int) -> range:
    return range(address, address + size)
