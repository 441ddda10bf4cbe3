"""The talker that speaks for the bank as one DC source, and hears commands. Board-safe.

It claims an address, listens for 2 s, and speaks while no other source of the same DC instance goes
before it (rank.py) and while the bank may speak. It says "do not charge" as long as it may speak:
on RV-C silence is no stop, for chargers then follow their own settings.

DC_SOURCE_COMMAND becomes wishes of the source "rv-c": disconnecting charge is `stop_charge`,
disconnecting power is `stop_discharge`; connecting clears them. Each command is acknowledged.
"""

from adapters.counts import Counts
from adapters.rvc.address import Address
from adapters.rvc.frames import (
    ACKNOWLEDGMENT,
    ADDRESS_CLAIM,
    BYTES,
    DIAGNOSTIC,
    EVERYBODY,
    NO,
    REQUEST_FOR_DGN,
    SOURCE_COMMAND,
    SOURCE_STATUSES,
    UNKNOWN,
    YES,
    Frame,
    identifier,
)
from adapters.rvc.rank import Rivals, outranks, published
from adapters.rvc.said import BATTERY_MONITOR, SAID, Saying, Subject
from aggregator.requests import Request
from aggregator.ticks import since
from aggregator.view import SystemView

ACK, NAK = 0, 1
DIAGNOSTIC_MS = 5_000
MOST_REPLIES = 8
BY = "rv-c"
# DM_RV of a device that is on, at work and without a fault: lamps off, our default address.
NO_FAULT = bytes([0x05, BATTERY_MONITOR, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF])


class RvcSource:
    """Speaks for one DC instance. Items are (identifier with bit 31 set, 8 bytes).

    `obey_commands`: take DC_SOURCE_COMMAND; else it is refused (NAK). `source`: who asks by it.
    """

    silence_stops = False  # chargers that hear nothing follow their own settings

    def __init__(
        self, address: Address, subject: Subject, obey_commands: bool = True, source: str = BY
    ) -> None:
        self.source = source if obey_commands else None
        self.counts = Counts()
        self.address = address
        self._subject = subject
        self._obey = obey_commands
        self._rivals = Rivals()
        self._sayings = [Saying(row) for row in range(len(SAID))]
        self._frame = Frame()
        self._charge = Request("stop_charge", source=source)
        self._power = Request("stop_discharge", source=source)
        self._requests: list[Request] = []
        self._items: list[tuple[int, bytes]] = []
        self._replies: list[tuple[int, bytes]] = []
        self._diagnosed_ms: int | None = None

    def opened(self, now_ms: int) -> None:
        """Claim an address, and listen."""
        self.address.opened(now_ms)
        self._rivals.opened(now_ms)
        self._replies.clear()
        self._diagnosed_ms = None
        for saying in self._sayings:
            saying.opened()

    def received(self, item: tuple[int, bytes], now_ms: int) -> list[Request]:
        """Return what a command asks."""
        requests = self._requests
        while requests:
            requests.pop()
        frame = self._frame
        if not frame.take(item):
            if frame.bad:
                self.counts.refuse("expected a frame: identifier, at most 8 bytes")
            return requests
        own = self.address.own
        if frame.dgn == ADDRESS_CLAIM:
            if frame.length == BYTES:
                self.address.claimed(frame.source, frame.data, now_ms)
        elif frame.source == own or (frame.destination != EVERYBODY and frame.destination != own):
            pass  # our own, come back, or meant for another
        elif frame.dgn == REQUEST_FOR_DGN:
            self._asked(frame)
        elif frame.dgn == SOURCE_COMMAND:
            self._commanded(frame)
        elif frame.dgn in SOURCE_STATUSES and frame.data[0] == self._subject.instance:
            self._rival(frame, now_ms)
        return requests

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> list[tuple[int, bytes]]:
        """Return the frames that are due; without `may_speak` nothing about the bank."""
        items = self._items
        while items:
            items.pop()
        subject, source = self._subject, self.address.own
        if self.address.claim_due:
            items.append(self.address.claim())
            return items
        subject.look(view)
        free = self._rivals.free(now_ms)
        if not self.address.settled(now_ms):
            return items
        while self._replies:
            items.append(self._replies.pop(0))
        if self._diagnosed_ms is None or not 0 <= since(now_ms, self._diagnosed_ms) < DIAGNOSTIC_MS:
            self._diagnosed_ms = now_ms
            items.append((identifier(DIAGNOSTIC, source), NO_FAULT))
        for saying in self._sayings:
            if not may_speak:
                saying.asked = False  # an answer would come too late
            else:
                made = saying.frame(now_ms, view, subject, source, free)
                if made is not None:
                    items.append(made)
        return items

    def _rival(self, frame: Frame, now_ms: int) -> None:
        """Another speaks for our instance: step back if it goes before us."""
        theirs, ours = published(frame.data[1]), self._subject.priority
        if not outranks(theirs, frame.source, ours, self.address.own):
            return
        if self._rivals.heard(frame.source, now_ms):
            who = "address " + str(frame.source) + " with priority " + str(theirs)
            self.counts.trouble = (
                who + " speaks for DC instance " + str(self._subject.instance) + ", we are silent"
            )

    def _asked(self, frame: Frame) -> None:
        """Somebody asks for a DGN."""
        if frame.length < 3:
            self.counts.refuse("expected a request for a DGN of 3 bytes or more")
            return
        data = frame.data
        dgn = data[0] | data[1] << 8 | (data[2] & 1) << 16
        if dgn & 0x1FF00 == ADDRESS_CLAIM:
            self.address.asked()
            return
        if data[3] != EVERYBODY and data[3] != self._subject.instance:
            return
        for saying in self._sayings:
            if saying.dgn == dgn:
                saying.asked = True
                return
        if dgn == DIAGNOSTIC:
            self._diagnosed_ms = None
        elif frame.destination != EVERYBODY:
            self._reply(NAK, data[3], frame.source, dgn)

    def _commanded(self, frame: Frame) -> None:
        """DC_SOURCE_COMMAND: who is meant, and what is wanted."""
        data = frame.data
        if data[0] != self._subject.instance:
            return
        power, charge = data[1] & 3, data[1] >> 2 & 3
        if not self._obey or frame.length < 2 or power == 2 or charge == 2:
            self._reply(NAK, data[0], frame.source, SOURCE_COMMAND)
            return
        self._switch(self._charge, "stop_charge", charge)
        self._switch(self._power, "stop_discharge", power)
        self._reply(ACK, data[0], frame.source, SOURCE_COMMAND)

    def _switch(self, request: Request, wish: str, wanted: int) -> None:
        if wanted == UNKNOWN:
            return
        request.kind = wish if wanted == NO else "clear"
        request.field = wish if wanted == YES else None
        self._requests.append(request)

    def _reply(self, code: int, instance: int, to: int, dgn: int) -> None:
        """Acknowledge, or refuse, what `to` asked. (Place of the address: from memory.)"""
        if len(self._replies) >= MOST_REPLIES:
            self.counts.drop("replies: too many at once")
            return
        data = bytes([code, instance, 0xFF, 0xFF, to, dgn & 0xFF, dgn >> 8 & 0xFF, dgn >> 16])
        self._replies.append((identifier(ACKNOWLEDGMENT | to, self.address.own), data))
