"""A recording of registers, and what a map makes of it (`packyoke check MAP --sample CAPTURE`).

One answer a line, as it was read; `#` starts a remark:

    # seconds device function address: words in hexadecimal
    0.000 1 4 0: 14C0 FFFE 59FC
    0.041 1 4 20: 0CF0 0CF1 0CEF
"""

import re
from collections.abc import Iterable

from adapters.capture import Seen
from adapters.meaning import Value
from adapters.modbus.checks import CONSTANT, HEARTBEAT
from adapters.modbus.maps import RegisterMap, Row
from adapters.modbus.spell import told
from adapters.registers import Answer, Ask

HEAD = re.compile(r"(\d{1,12}(?:\.\d{1,6})?)\s+(\d{1,3})\s+([1-4])\s+(\d{1,5})", re.ASCII)
WORD = re.compile(r"[0-9A-Fa-f]{1,4}")
SHAPE = "expected `seconds device function address: words in hexadecimal`"


def capture_line(at_s: float, answer: Answer) -> str:
    """Return the line that records an answer with words."""
    ask = answer.ask
    words = " ".join(f"{word:04X}" for word in answer.words or ())
    return f"{at_s:.3f} {ask.device} {ask.function} {ask.address}: {words}"


def parsed(line: str) -> tuple[float, Answer] | None:
    """Return the time [s] and the answer on a line; None: it says nothing. Raises ValueError."""
    text = line.split("#", 1)[0]
    if not text.strip():
        return None
    head, _, rest = text.partition(":")
    found = HEAD.fullmatch(head.strip())
    words = rest.split()
    if found is None or not words or not all(WORD.fullmatch(word) for word in words):
        raise ValueError(f"{SHAPE}, got {line.strip()[:60]!r}")
    device, function, address = int(found[2]), int(found[3]), int(found[4])
    ask = Ask(device, function, address, len(words))
    return float(found[1]), Answer(ask, tuple(int(word, 16) for word in words))


def explain(map_: RegisterMap, lines: Iterable[str], device: int | None = None) -> list[Seen]:
    """Return every number of a map that a recording shows. `device`: only this one's; None:
    whichever. Raises ValueError: a line that is none, with its number."""
    found: list[Seen] = []
    first_s: float | None = None
    for number, line in enumerate(lines, start=1):
        try:
            one = parsed(line)
        except ValueError as error:
            raise ValueError(f"line {number}: {error}") from None
        if one is None or (device is not None and one[1].ask.device != device):
            continue
        first_s = one[0] if first_s is None else first_s
        found += _seen(map_, one[1], round((one[0] - first_s) * 1_000))
    return found


def _seen(map_: RegisterMap, answer: Answer, at_ms: int) -> list[Seen]:
    words = dict(enumerate(answer.words or (), answer.ask.address))
    found = []
    for group in map_.groups:
        if group.function != answer.ask.function:
            continue
        for row in group.rows:
            layout = map_.layout(row)
            for address in row.addresses:
                span = range(address, address + row.size)
                if all(at in words for at in span):
                    raw = layout.number([words[at] for at in span])
                    value = _value(map_, row, raw)
                    found.append(Seen(at_ms, f"register {address}", row.field, raw, value))
    return found


def _value(map_: RegisterMap, row: Row, raw: int | float) -> Value | None:
    if row.field in (HEARTBEAT, CONSTANT):
        return int(raw)
    return row.value(raw) if map_.of == "pack" else told(row, raw)
