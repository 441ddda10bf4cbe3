"""Lines that no driver should send: what a bad cable, a wrong program or a bad mind makes of one.

Only what cannot be meant well: every line here must be refused, be skipped, or ask for nothing that
changes a bank. (A byte exchanged inside a number is another number, and no protocol can tell.)
"""

import json

from attrs import frozen
from hypothesis import strategies as st

from conformance.fuzzing import words
from conformance.oracle import Plain

NOW = b"@now@"  # in a line: the driver's time when it is sent
REFUSED, EITHER, SKIPPED = "refused", "either", "skipped"
NEWEST = 20_000  # a sample that every bridge takes for news, if it takes it at all


@frozen
class Hostile:
    """One line, `repeat` times in a row without a newline of its own between.

    `answer`: REFUSED ("ok" is false), EITHER (true or false, and nothing changes), SKIPPED (none).
    `requirement`: what is breached if it is taken, or changes something.
    """

    what: str
    line: bytes
    answer: str = REFUSED
    requirement: str = "REQ-PRO-06"
    repeat: int = 1

    def sent(self, now_ms: int) -> bytes:
        """Return the line, once, as it is sent at this time."""
        return self.line.replace(NOW, str(now_ms).encode())

    def step(self, now_ms: int) -> Plain:
        """Return the step of a vector that sends it."""
        line = self.sent(now_ms)
        shown = line.isascii() and line.decode("ascii", "replace").replace("\n", "").isprintable()
        step: Plain = {"op": "line", "note": self.what}
        step.update({"text": line.decode()} if shown else {"hex": line.hex()})
        if self.repeat > 1:
            step["repeat"] = self.repeat
        if self.answer == SKIPPED:
            step["answers"] = False
        return step


def _line(request: Plain) -> bytes:
    """Return a request as it would be sent; its time is filled in later."""
    text = json.dumps(request, separators=(",", ":"))
    return text.replace('"@now@"', "@now@").encode()


def _with(request: bytes, field: str, value: str) -> bytes:
    """Return a request with one field more, its value as it is."""
    return request[:-1] + f',"{field}":{value}'.encode() + b"}"


def _report(**fields: object) -> bytes:
    """Return a report of a pack that is there."""
    told: Plain = {"op": "report", "t": "@now@", "pack": words.NAMES[0], "sample": NEWEST}
    return _line({**told, **fields})


# Requests that would change much if any part of them were taken.
REPORT = _report(**{**words.HEALTHY, "charge_current_limit_ma": 7_000})
BARE = _report()
WISH = _line({"op": "request", "t": "@now@", "kind": "cap_charge_current", "value": 3_000})
STOP = _line({"op": "request", "t": "@now@", "kind": "stop_discharge"})
RESET = _line({"op": "reset", "t": "@now@", "settings": {"packs": [{"pack": "yew"}]}})
LATER = b'{"op":"step","t":999999999}'
TAKEN = st.sampled_from([REPORT, BARE, WISH, STOP, RESET, LATER])
HELLO = b'{"op":"hello","kit":1}'
HARMLESS = st.sampled_from([HELLO, _line({"op": "why", "t": "@now@", "limit": "charge_current"})])

NO_NUMBERS = (
    *("1.5", "1e5", "1e400", "-1e999", "NaN", "Infinity", "-Infinity", "0x10", "+5", "5.", "007"),
    *("9" * 400, "-" + "9" * 25, "99999999999", "1e", "--1", '"5"', '"100000"', '""', "true"),
    *("[5]", "[]", "{}", '{"a":1}', "nul", "None", "undefined", "'5'", '"\\ud800"', "[[[[[[]]]]]]"),
)
NUMBERS = ("voltage_mv", "charge_current_limit_ma", "soc_permille", "temperature_min_decic")
NO_OPERATIONS = (b'{"op":[]}', b'{"op":{}}', b'{"op":""}', b'{"op":"\\u0000"}', b'{"op":true}', b"{}",
              b'{"op":"Step","t":@now@}', b'{"op":"step "}', b'{" op":"hello"}')  # fmt: skip
TWICE = (
    Hostile("a key twice", b'{"op":"hello","op":"hello"}', EITHER),
    Hostile(
        "two packs in one report",
        BARE[:-1] + b',"pack":"nobody","pack":"none"}',
        requirement="REQ-PRO-08",
    ),
    Hostile(
        "two impossible limits in one report",
        BARE[:-1] + b',"charge_current_limit_ma":-1,"charge_current_limit_ma":6553500}',
        requirement="REQ-PRO-04",
    ),
    Hostile(
        "an operation nobody knows, twice",
        b'{"op":"dance","op":"explode"}',
        requirement="REQ-PRO-03",
    ),
)
WRONG = (
    *(("an operation that is none", line, REFUSED, "REQ-PRO-03") for line in NO_OPERATIONS),
    *(
        ("a request that means nothing", _line({"t": "@now@", **junk}), REFUSED, "REQ-PRO-05")
        for junk in words.JUNK
        if junk["op"] != "hello"  # that one is only not expected
    ),
    *(
        ("a report that cannot be", _report(**wrong), REFUSED, "REQ-PRO-04")
        for wrong in words.IMPOSSIBLE
    ),
)
UNITS = (b"[", b'{"a":', b"x", b"9", b'"', b"\\", b'{"op":"step",', b"\x00", b"\xff", b'[{"op":')
SKIPPED_LINES = (b"\n", b"# noise\n", b'#{"op":"reset"}\n', b"#\n\n")


def _is_hopeless(line: bytes) -> bool:
    """Is it not empty, no log line, and no JSON object, however it is read?"""
    text = line.decode(errors="replace").strip()
    if not text or text.startswith("#") or not line.strip(b"\x00\xff"):
        return False
    try:
        return not isinstance(json.loads(text), dict)
    except (ValueError, RecursionError):
        return True


def _noise() -> st.SearchStrategy[Hostile]:
    anything = st.one_of(
        st.binary(min_size=1, max_size=40),
        st.text(min_size=1, max_size=20).map(lambda text: text.encode(errors="replace")),
        st.text('{}[]":,0123456789.eE+-truefalsn\\u ', min_size=1, max_size=20).map(str.encode),
    )
    one_line = anything.map(lambda line: line.replace(b"\n", b" ")).filter(_is_hopeless)
    return one_line.map(lambda line: Hostile("noise", line, requirement="REQ-PRO-05"))


@st.composite
def _cut(draw: st.DrawFn) -> Hostile:
    """A request of which the end, or the beginning, was lost."""
    line = draw(TAKEN)
    at = draw(st.integers(1, len(line) - 1))
    if draw(st.booleans()):
        return Hostile("a line without its end", line[:at])
    return Hostile("a line without its beginning", line[at:])


@st.composite
def _damaged(draw: st.DrawFn) -> Hostile:
    """A request with a control character in it, which JSON allows nowhere."""
    line = draw(TAKEN)
    at = draw(st.integers(1, len(line) - 1))
    byte = draw(st.sampled_from([b"\x00", b"\x01", b"\x08", b"\x1b"]))
    return Hostile("a line with a byte too many", line[:at] + byte + line[at:])


@st.composite
def _joined(draw: st.DrawFn) -> Hostile:
    """Two requests with the newline between them lost, or one with garbage behind it."""
    behind = draw(st.one_of(TAKEN, HARMLESS, st.sampled_from([b"}", b"x", b"\xff", b",", b"[]"])))
    return Hostile("two lines in one", draw(TAKEN) + behind)


@st.composite
def _no_number(draw: st.DrawFn) -> Hostile:
    """A report in which a number is none, or none that fits."""
    field, value = draw(st.sampled_from(NUMBERS)), draw(st.sampled_from(NO_NUMBERS))
    what = f"{field} of {value if len(value) < 30 else f'{len(value)} digits'}"
    return Hostile(what, _with(BARE, field, value), requirement="REQ-PRO-11")


@st.composite
def _wrong_value(draw: st.DrawFn) -> Hostile:
    """A request that is JSON and means nothing."""
    wrong = draw(st.sampled_from(WRONG))
    return Hostile(*wrong)


@st.composite
def _nested(draw: st.DrawFn) -> Hostile:
    """Lists in lists, as deep as can be."""
    depth = draw(st.sampled_from([10, 200, 999, 5_000]))
    value = "[" * depth + "]" * depth
    if draw(st.booleans()):
        line = _with(BARE, draw(st.sampled_from(NUMBERS)), value)
        return Hostile(f"a list {depth} deep in a report", line, requirement="REQ-PRO-11")
    return Hostile(f"a list {depth} deep in hello", _with(HELLO, "extra", value), EITHER)


@st.composite
def _flood(draw: st.DrawFn) -> Hostile:
    """A great deal of the same, on one line, or as lines that want no answer."""
    if draw(st.booleans()):
        line, repeat = draw(st.sampled_from(SKIPPED_LINES)), draw(st.sampled_from([1, 40, 300]))
        return Hostile("lines that want no answer", line, SKIPPED, "REQ-PRO-14", repeat)
    repeat = draw(st.sampled_from([2, 100, 70_000, 200_000]))
    return Hostile(f"{repeat} times the same", draw(st.sampled_from(UNITS)), repeat=repeat)


@st.composite
def _encoded(draw: st.DrawFn) -> Hostile:
    """A harmless request in another encoding, or with bytes in it that are no text."""
    line = draw(HARMLESS)
    coding = draw(st.sampled_from(["utf-16-le", "utf-16-be", "utf-32-le", "utf-8-sig", "bytes"]))
    if coding == "bytes":
        odd = draw(
            st.sampled_from([b"\xff", b"\xc0\xa2", b"\xc3", b"\xed\xa0\x80", b"\xf8", b"\xe4"])
        )
        return Hostile("bytes that are no text", line[:-1] + b',"extra":"' + odd + b'"}', EITHER)
    plain = line.replace(NOW, b"0").decode()
    return Hostile(f"a line in {coding}", plain.encode(coding).replace(b"\n", b" "), EITHER)


def lines() -> st.SearchStrategy[Hostile]:
    """Return hostile lines of every kind."""
    made = (_noise(), _cut(), _damaged(), _joined(), _no_number(), _wrong_value(), _nested())
    return st.one_of(*made, _flood(), _encoded(), st.sampled_from(TWICE))
