"""A first SITE.toml, written from a few answers: complete, commented, to be edited on."""

from attrs import frozen

from adapters.gateway.first_maps import starter


@frozen
class PackAnswer:
    """One pack. `hears`: how it is heard, a key of HEARS; `like`: a pack before it of the same make on
    the same line, whose map holds for it, too; "": none."""

    pack: str
    capacity_mah: int
    hears: str
    like: str = ""


@frozen
class Answers:
    """What has to be known of a site. Currents in mA; None: not said."""

    packs: list[PackAnswer]
    cell_count: int
    charge_ceiling_ma: int | None
    discharge_ceiling_ma: int | None
    charger_limits: str  # battery or output, as the setting of that name
    says: str  # a key of SAYS


# How packs are heard: words for the question; the link's own keys; one talker, or one a pack. `map` is
# the name of the first pack of its make; `number` counts the packs on a line.
HEARS: dict[str, tuple[str, str, str]] = {
    "can": (
        "CAN, by a DBC file and a map of yours",
        'kind = "can"\ninterface = "socketcan"   # or slcan, with channel = "/dev/ttyACM0"\nchannel = "can0"',
        'as = "dbc"\nmap = "{map}.toml"     # see docs/how-to/can-dbc.md\npack = "{pack}"{offset}',
    ),
    "modbus": (
        "Modbus on a serial line (RS-485), by a register map of yours",
        'kind = "modbus-rtu"\nport = "/dev/ttyUSB{usb}"\nbaud = 9600',
        'as = "registers"\nmap = "{map}.toml"   # see docs/how-to/modbus.md\npack = "{pack}"\ndevice = {number}',
    ),
    "serial": (
        "another serial line, by a description of its frames",
        'kind = "serial"\nport = "/dev/ttyUSB{usb}"\nbaud = 9600',
        'as = "frames"\nmap = "{map}.toml"       # see docs/how-to/framed-serial.md\npacks = {{ {addresses} }}',
    ),
    "mqtt": (
        "an MQTT broker, by a map of topics",
        'kind = "mqtt"\nhost = "127.0.0.1"',
        'as = "topics"\nmap = "{map}.toml"      # see docs/how-to/mqtt.md\npack = "{pack}"',
    ),
    "lines": (
        "JSON lines of a program of yours, over TCP",
        'kind = "tcp-listen"\nport = 7001',
        'as = "json-lines"       # see docs/how-to/json-lines.md',
    ),
}
# Who listens: words for the question; the link; the talker.
SAYS: dict[str, tuple[str, str, str]] = {
    "rv-c": (
        "chargers on RV-C (CAN)",
        'kind = "can"\ninterface = "socketcan"\nchannel = "can1"',
        'as = "rv-c"             # see docs/how-to/rv-c.md\ninstance = 1             # the house bank\n'
        "manufacturer_code = 0    # yours, from SAE or RVIA\nidentity_number = 1",
    ),
    "sunspec": (
        "inverters that read SunSpec (Modbus TCP)",
        'kind = "modbus-tcp-server"\nhost = "0.0.0.0"         # everybody on this network: keep it your own\nport = 502               # under 1024 needs a privilege: 1502 does not',
        'as = "sunspec"          # see docs/how-to/sunspec.md',
    ),
    "can": (
        "an inverter on CAN, by a DBC file and a map of yours",
        'kind = "can"\ninterface = "socketcan"\nchannel = "can1"',
        'as = "dbc"\nmap = "inverter_map.toml"   # see docs/how-to/can-dbc.md',
    ),
    "registers": (
        "an inverter whose registers we write (Modbus TCP)",
        'kind = "modbus-tcp"\nhost = "192.168.1.20"\nport = 502',
        'as = "registers"\nmap = "inverter_map.toml"   # see docs/how-to/modbus.md',
    ),
    "homie": (
        "home automation on MQTT (Homie convention)",
        'kind = "mqtt"\nhost = "127.0.0.1"',
        'as = "homie"            # see docs/how-to/homie.md',
    ),
    "nobody": ("nobody yet", "", ""),
}
USBS = ("modbus", "serial")  # lines of their own
OFFSET = "\nid_offset = {}            # what its ids have more; or source_address: see the page"
# The starter maps that these talkers name.
HEARD_MAPS = {"can": "dbc", "modbus": "registers", "serial": "frames", "mqtt": "topics"}
SAID_MAPS = {"can": "bank-dbc", "registers": "bank-registers"}
SAID_MAP = "inverter_map.toml"  # an underscore is in no pack's name

HEAD = """\
# This site. Check it with: packyoke check SITE.toml
# Then listen without speaking: packyoke run SITE.toml --listen-only
# Every setting, its range and default: docs/reference/settings.md
#
# This file makes nothing safe: each pack's own board, fuse and breaker protect. Numbers are yours to
# set from the makers' data; follow local rules, and leave to licensed people what those leave to them.
"""


def site_text(answers: Answers) -> str:
    """Return the file's text."""
    parts = [HEAD, _bank(answers)]
    parts += [_pack(pack) for pack in answers.packs]
    parts.append("""\
[gateway]
state = "packyoke-state.json"   # what survives a restart
# record = "bank.log"           # history for packyoke view, why and replay
""")
    parts += _heard(answers.packs)
    _, link, talker = SAYS[answers.says]
    if link:
        parts.append(
            f'[[links]]\nname = "chargers"\n{link}\n\n  [[links.says]]\n{_indented(talker)}\n'
        )
    return "\n".join(parts)


def map_texts(answers: Answers) -> dict[str, str]:
    """Return the starter maps that the site names: file -> text."""
    texts = {}
    for pack in answers.packs:
        if pack.hears in HEARD_MAPS and not pack.like:
            file = f"{pack.pack}.toml"
            texts[file] = starter(HEARD_MAPS[pack.hears], file)
    if answers.says in SAID_MAPS:
        texts[SAID_MAP] = starter(SAID_MAPS[answers.says], SAID_MAP)
    return texts


def _bank(answers: Answers) -> str:
    lines = [f"cell_count = {answers.cell_count}           # in series, the same in every pack"]
    for way, value in (("charge", answers.charge_ceiling_ma), ("discharge", answers.discharge_ceiling_ma)):  # fmt: skip
        text = "# " if value is None else ""
        lines.append(f"{text}{way}_current_ceiling_ma = {value or 100_000:_}   # what cables, fuses and"
                     " switches of the whole bank carry [mA]")  # fmt: skip
    lines.append(f'charger_limits = "{answers.charger_limits}"   # "battery": chargers hold the'
                 ' battery\'s current;\n                             # "output": each limits only its'
                 " own, loads or not")  # fmt: skip
    return "\n".join(lines) + "\n"


def _pack(pack: PackAnswer) -> str:
    return f"""\
[[packs]]
pack = "{pack.pack}"
capacity_mah = {pack.capacity_mah:_}
# sensor_tolerance_permille = 0   # what its current sensor may be off by
# opens_path_on_refusal = false   # true if its board opens its switch when it refuses
"""


def _heard(packs: list[PackAnswer]) -> list[str]:
    """Return a link for each kind of bus; two makes on a serial line of their own have one each."""
    lines: dict[str, list[PackAnswer]] = {}
    for pack in packs:
        own = pack.like or pack.pack
        lines.setdefault(own if pack.hears == "serial" else pack.hears, []).append(pack)
    texts, usb = [], 0
    for number, members in enumerate(lines.values(), 1):
        hears = members[0].hears
        name = "packs" if len(lines) == 1 else f"packs {number}"
        link = HEARS[hears][1].format(usb=usb)
        usb += hears in USBS
        talkers = [f"  [[links.hears]]\n{_indented(text)}" for text in _talkers(hears, members)]
        texts.append(f'[[links]]\nname = "{name}"\n{link}\n\n' + "\n\n".join(talkers) + "\n")
    return texts


def _talkers(hears: str, members: list[PackAnswer]) -> list[str]:
    """Return what hears the packs of one line: one for all of them, or one each."""
    text = HEARS[hears][2]
    addresses = ", ".join(f"{pack.pack} = {number}" for number, pack in enumerate(members, 1))
    each = members if "{pack}" in text else members[:1]
    made = []
    for number, pack in enumerate(each, 1):
        alike = sum(one.like == pack.like for one in each[:number])
        made.append(text.format(
            pack=pack.pack, map=pack.like or pack.pack, number=number, addresses=addresses,
            offset=OFFSET.format(alike) if pack.like else "",
        ))  # fmt: skip
    return made


def _indented(text: str) -> str:
    return "\n".join("  " + line for line in text.splitlines())
