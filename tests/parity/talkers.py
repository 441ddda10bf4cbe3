"""Board-safe talkers behind one function: what is done to them in, all that they say out. Runs on
every interpreter; `answer` takes and returns a line of JSON."""

import json
import sys
from binascii import hexlify, unhexlify

from adapters.contacts.levels import Contacts
from adapters.jsonlines.lines_in import LinesIn
from adapters.jsonlines.lines_out import LinesOut
from adapters.rvc.address import Address, name_bytes
from adapters.rvc.charger import RvcCharger
from adapters.rvc.pack import RvcPack
from adapters.rvc.said import Subject
from adapters.rvc.source import RvcSource
from aggregator.plain import BUS_KEYS, REPORT_KEYS, REQUEST_KEYS, json_text
from aggregator.report import BusReport, PackReport
from aggregator.view import SystemView

TALKERS = {
    "lines in": lambda: LinesIn(512),
    "lines out": lambda: LinesOut(None, 500),
    "rv-c source": lambda: RvcSource(Address(name_bytes(0, 5), 175), Subject(1, 120, None, True)),
    "rv-c pack": lambda: RvcPack("oak", 1, 50_000, 60_000),
    "rv-c charger": lambda: RvcCharger(1, 57_600, 100_000),
    "contacts": lambda: Contacts(2_000, 3_000),
}


def plain(record: object) -> object:
    """A record as a dict."""
    keys = REQUEST_KEYS
    if isinstance(record, PackReport):
        keys = REPORT_KEYS
    elif isinstance(record, BusReport):
        keys = BUS_KEYS
    return {key: getattr(record, key) for key in keys}


def shown(item: object) -> object:
    """An item as texts and numbers."""
    if isinstance(item, bytes):
        return hexlify(item).decode()
    number, rest = item  # type: ignore[misc]  # a frame or a contact
    return [str(number), shown(rest) if isinstance(rest, bytes) else rest]


def answer(line: str) -> str:
    """Play [talker, [[now_ms, item] or [now_ms, view, may_speak], ...]]; tell all that came out."""
    kind, moments = json.loads(line)
    talker = TALKERS[kind]()
    view = SystemView(["oak"])
    said: list[object] = []
    for moment in moments:
        now_ms = moment[0]
        if len(moment) == 2:
            item = moment[1]
            whole = unhexlify(item) if isinstance(item, str) else (item[0], unhexlify(item[1]))
            said.append([plain(record) for record in talker.received(whole, now_ms) or ()])
        else:
            for name in sorted(moment[1]):
                setattr(view, name, moment[1][name])
            if kind == "rv-c charger":
                talker.decide(now_ms)
                said.append([talker.voltage_mv, talker.current_ma, talker.obeys])
            else:
                said.append([shown(item) for item in talker.due(now_ms, view, moment[2])])
    counts = talker.counts
    said.append([counts.refused, counts.dropped, counts.trouble])
    return json_text(said)


def main() -> None:
    """Answer each line of standard input."""
    while True:
        line = sys.stdin.readline()
        if not line:
            break
        sys.stdout.write(answer(line) + "\n")
        if hasattr(sys.stdout, "flush"):
            sys.stdout.flush()


if __name__ == "__main__":
    main()
