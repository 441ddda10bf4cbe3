"""The bank in registers of the owner's choice, served to whoever reads them.

May we not speak (nothing is heard, or the bank's last step is too old), both currents show as 0 and
not allowed, and the heartbeat stands still. While another board speaks for the bank, nothing is
shown: reads get an exception.
"""

from collections.abc import Sequence

from attrs import field as attr
from attrs import frozen

from adapters.counts import Counts
from adapters.links import Record
from adapters.modbus.bank import Speller
from adapters.modbus.maps import RegisterMap
from adapters.modbus.requests import asked
from adapters.modbus.spell import Unsayable
from adapters.registers import HOLDING, OTHERS_SPEAK, Image, ServerItem, Written, limits_of, within
from aggregator import SystemView
from aggregator.ticks import since


@frozen(kw_only=True)
class ServeSettings:
    """Serving a bank's map (of = "bank") as one device."""

    map: str
    device: int = attr(default=1, validator=within(0, 255))
    # Anybody who reaches the port may write what the map's [[writes]] list; false: nobody may.
    writable: bool = True


class BankServer:
    """Talker of a server's link: shows the bank, takes what the map lets others write."""

    def __init__(self, map_: RegisterMap, settings: ServeSettings) -> None:
        self.counts = Counts()
        self._device = settings.device
        self._speller = Speller(map_)
        self._functions = {group.name: group.function for group in map_.groups}
        self._every_ms = min((group.every_ms for group in map_.groups), default=1_000)
        self._writes = [(row, map_.layout(row)) for row in map_.writes if settings.writable]
        self._written = {
            at: 0 for row, layout in self._writes for at in _span(row.address, layout.size)
        }
        self._beat = 0
        self._shown_ms: int | None = None
        self._shown: object = None

    def opened(self, now_ms: int) -> None:
        """Show the image anew."""
        self._shown_ms = None

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> Sequence[ServerItem]:
        """Return the image when a limit has changed or something was written, and else as often as
        the map's fastest group asks for."""
        if view.role in OTHERS_SPEAK:
            return self._hidden(now_ms)
        limits = limits_of(view, may_speak)
        gone_ms = None if self._shown_ms is None else since(now_ms, self._shown_ms)
        timed = gone_ms is None or not 0 <= gone_ms < self._every_ms
        if not timed and limits == self._shown:
            return ()
        if timed:
            self._shown_ms = now_ms
            if may_speak:
                self._beat += 1
        self._shown = limits
        try:
            said = self._speller.says(view, not may_speak, self._beat)
        except Unsayable as error:
            self.counts.refuse(str(error))
            return (Image(self._device, None),)
        tables: dict[int, dict[int, int]] = {HOLDING: dict(self._written)}
        for name, words in said.items():
            tables.setdefault(self._functions[name], {}).update(words)
        return (Image(self._device, tables, frozenset(self._written)),)

    def _hidden(self, now_ms: int) -> Sequence[ServerItem]:
        if self._shown == "nothing" and self._shown_ms is not None:
            return ()
        self._shown, self._shown_ms = "nothing", now_ms
        return (Image(self._device, None),)

    def received(self, item: ServerItem, now_ms: int) -> Sequence[Record]:
        """Return what was asked for by writing. A number of two registers counts when either was
        written; half of one is refused."""
        if not isinstance(item, Written) or item.device != self._device:
            return ()
        news = {at: word for at, word in item.words if at in self._written}
        if not news:
            return ()
        self._written.update(news)
        self._shown = None
        found = []
        for write, layout in self._writes:
            span = _span(write.address, layout.size)
            if not any(at in news for at in span):
                continue
            if not all(at in news for at in span):
                self.counts.refuse(f"only half of {write.request} at {write.address} was written")
                continue
            number = layout.number([news[at] for at in span])
            request = asked(write, number, f"modbus {self._device}")
            if request is None:
                self.counts.refuse(f"{write.request}: {number} means nothing")
            else:
                self.counts.received += 1
                found.append(request)
        return found


def _span(address: int, size: int) -> range:
    return range(address, address + size)
