"""Starter maps: what an owner fills in from the makers' papers, row by row. Nothing of any maker stands
in them: every number and name is a blank (toml_file.BLANK), which `packyoke check` refuses, line by line.
"""

from collections.abc import Callable

from adapters.toml_file import BLANK

MEASURED = (
    "voltage_mv", "current_ma", "soc_permille", "cell_min_mv", "cell_max_mv",
    "temperature_min_decic", "temperature_max_decic",
)  # fmt: skip
LIMITS = (
    "charge_current_limit_ma", "discharge_current_limit_ma", "charge_voltage_limit_mv",
    "discharge_voltage_limit_mv",
)  # fmt: skip
FLAGS = ("charge_allowed", "discharge_allowed")
HEAD = """\
# {about}
# Fill in every "{blank}" from the maker's paper. Every key, and a complete example:
# docs/how-to/{page}.md. Every field: docs/reference/fields.md. Then: packyoke check {file}
"""
PACK = """\
What this make of pack says; packs of another make get a map of their own. Delete the rows of what
# it does not say (a limit that is not told counts as 0, a permission as "no")."""
BANK = """\
Where this inverter looks for the bank's limits. Delete the rows of what it does not look for."""
UNITS = '# unit: "V", "mV", "A", "Ah", "%", "°C", ...; the number x scale is in that unit'
SIGN = (
    '# positive: "charge" or "discharge", which way a positive current flows: try it with a meter'
)


def _row(field: str, *keys: str) -> str:
    return ", ".join([f'field = "{field}"', *(f'{key} = "{BLANK}"' for key in keys)])


def _rows(where: tuple[str, ...], scaled: tuple[str, ...], flag: tuple[str, ...]) -> str:
    """Return the rows of a pack's map. `where`: keys that say where a number stands; `scaled`: what it
    is in; `flag`: how yes and no are told."""
    lines = [f"    {UNITS}"] if scaled else []
    for field in (*MEASURED, *LIMITS):
        if field == "current_ma":
            lines.append(f"    {SIGN}")
        sign = ("positive",) if field == "current_ma" else ()
        lines.append(f"    {{ {_row(field, *where, *scaled, *sign)} }},")
    lines += [f"    {{ {_row(field, *where, *flag)} }}," for field in FLAGS]
    return "\n".join(lines)


def _bank_rows(where: tuple[str, ...], scaled: tuple[str, ...]) -> str:
    lines = [f"    {UNITS}"] if scaled else []
    lines += [f"    {{ {_row(field, *where, *scaled)} }}," for field in LIMITS]
    flag = ("bit",) if scaled else ()
    lines += [f"    {{ {_row(field, *where, *flag)} }}," for field in FLAGS]
    return "\n".join(lines)


def _dbc() -> str:
    return f"""\
kind = "dbc"
dbc = "{BLANK}"               # the DBC file, beside this map; its units and scales hold

[[messages]]              # one for each message of the DBC that brings any of these
message = "{BLANK}"
signals = [
    # bit: which bit of the signal, from 0; left out: the signal is 1 or 0
{_rows(("signal",), (), ("bit",))}
]
"""


def _registers() -> str:
    return f"""\
kind = "registers"
of = "pack"
word_order = "{BLANK}"        # "high_first" or "low_first": which register of a 32-bit number comes first

[[groups]]                # read in one request; another group for what lies apart or comes seldom
name = "now"
function = "{BLANK}"          # 3 holding, 4 input registers
every_ms = 1_000
rows = [
    # address: as on the wire, from 0; type: "u16", "i16", "u32", "i32", "f32"; bit: from 0
{_rows(("address", "type"), ("unit", "scale"), ("bit",))}
]
"""


def _frames() -> str:
    return f"""\
kind = "frames"
order = "{BLANK}"             # "big" or "little": which byte of a number comes first

[[frames]]                # one for each kind of frame
name = "state"
request = "{BLANK}"           # what asks for it, in hex; "addr" is the pack's address; delete it if unasked
every_ms = 1_000
start = "{BLANK}"             # how the answer begins, in hex
length = "{BLANK}"            # of the whole answer [bytes]
checksum = {{ kind = "{BLANK}" }}   # "sum", "xor", or "crc" with its name = "..."
fields = [
    # at: the byte where it begins, from 0; type: "u8", "i8", "u16", "i16", "u32", ...; bit: from 0
{_rows(("at", "type"), ("unit", "scale"), ("bit",))}
]
"""


def _topics() -> str:
    return f"""\
kind = "topics"

[[topics]]                # one for each topic; {{pack}} stands for the pack's name on the broker
topic = "{BLANK}"
values = [
    # pointer: where it stands in the JSON document, "/dc/voltage"; delete it where the payload is the number
{_rows(("pointer",), ("unit", "scale"), ())}
]
"""


def _bank_dbc() -> str:
    return f"""\
kind = "dbc"
dbc = "{BLANK}"               # the DBC file, beside this map; its units and scales hold

[[messages]]              # one for each message that the inverter waits for
message = "{BLANK}"
period_ms = "{BLANK}"         # how often
signals = [
{_bank_rows(("signal",), ())}
]
"""


def _bank_registers() -> str:
    return f"""\
kind = "registers"
of = "bank"
word_order = "{BLANK}"        # "high_first" or "low_first": which register of a 32-bit number comes first

[[groups]]
name = "limits"
function = 3              # holding registers: only those can be written
every_ms = 1_000          # how often they are written; a changed limit goes at once
rows = [
    # address: as on the wire, from 0; type: "u16", "i16", "u32", "i32", "f32"; bit: from 0
{_bank_rows(("address", "type"), ("unit", "scale"))}
]
"""


# Name of a starter: what it is about, the page that tells more, its text.
STARTERS: dict[str, tuple[str, str, Callable[[], str]]] = {
    "dbc": (PACK, "can-dbc", _dbc),
    "registers": (PACK, "modbus", _registers),
    "frames": (PACK, "framed-serial", _frames),
    "topics": (PACK, "mqtt", _topics),
    "bank-dbc": (BANK, "can-dbc", _bank_dbc),
    "bank-registers": (BANK, "modbus", _bank_registers),
}


def starter(name: str, file: str) -> str:
    """Return the text of a starter map that will be called `file`."""
    about, page, text = STARTERS[name]
    return HEAD.format(about=about, blank=BLANK, page=page, file=file) + "\n" + text()
