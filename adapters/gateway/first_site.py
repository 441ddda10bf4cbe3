"""A first SITE.toml, written from a few answers: complete, commented, to be edited on."""

from attrs import frozen

from adapters.gateway.first_maps import starter


@frozen
class PackAnswer:
    """One pack: its name and capacity."""

    pack: str
    capacity_mah: int


@frozen
class Answers:
    """What has to be known of a site. Currents in mA; None: not said."""

    packs: list[PackAnswer]
    cell_count: int
    charge_ceiling_ma: int | None
    discharge_ceiling_ma: int | None
    charger_limits: str  # battery or output, as the setting of that name
    hears: str  # a key of HEARS
    says: str  # a key of SAYS


# How packs are heard: words for the question; the link's own keys; one talker, or one a pack.
HEARS: dict[str, tuple[str, str, str]] = {
    "can": (
        "CAN, by a DBC file and a map of yours",
        'kind = "can"\ninterface = "socketcan"   # or slcan, with channel = "/dev/ttyACM0"\nchannel = "can0"',
        'as = "dbc"\nmap = "{pack}.toml"     # see docs/how-to/can-dbc.md\npack = "{pack}"',
    ),
    "modbus": (
        "Modbus on a serial line (RS-485), by a register map of yours",
        'kind = "modbus-rtu"\nport = "/dev/ttyUSB0"\nbaud = 9600',
        'as = "registers"\nmap = "registers.toml"   # see docs/how-to/modbus.md\npack = "{pack}"\ndevice = {number}',
    ),
    "serial": (
        "another serial line, by a description of its frames",
        'kind = "serial"\nport = "/dev/ttyUSB0"\nbaud = 9600',
        'as = "frames"\nmap = "board.toml"       # see docs/how-to/framed-serial.md\npacks = {{ {addresses} }}',
    ),
    "mqtt": (
        "an MQTT broker, by a map of topics",
        'kind = "mqtt"\nhost = "127.0.0.1"',
        'as = "topics"\nmap = "topics.toml"      # see docs/how-to/mqtt.md\npack = "{pack}"',
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
ONCE = ("serial", "lines")  # one talker for all packs
# The maps that those talkers name: which starter, and its file (an underscore is in no pack's name).
HEARD_MAPS = {"can": ("dbc", "{pack}.toml"), "modbus": ("registers", "registers.toml"),
              "serial": ("frames", "board.toml"), "mqtt": ("topics", "topics.toml")}  # fmt: skip
SAID_MAPS = {"can": "bank-dbc", "registers": "bank-registers"}

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
    parts.append(_heard(answers))
    _, link, talker = SAYS[answers.says]
    if link:
        parts.append(
            f'[[links]]\nname = "chargers"\n{link}\n\n  [[links.says]]\n{_indented(talker)}\n'
        )
    return "\n".join(parts)


def map_texts(answers: Answers) -> dict[str, str]:
    """Return the starter maps that the site names: file -> text."""
    texts = {}
    if answers.hears in HEARD_MAPS:
        kind, name = HEARD_MAPS[answers.hears]
        files = [name.format(pack=pack.pack) for pack in answers.packs]
        texts = {file: starter(kind, file) for file in files}
    if answers.says in SAID_MAPS:
        file = "inverter_map.toml"
        texts[file] = starter(SAID_MAPS[answers.says], file)
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


def _heard(answers: Answers) -> str:
    _, link, talker = HEARS[answers.hears]
    addresses = ", ".join(f"{pack.pack} = {n}" for n, pack in enumerate(answers.packs, 1))
    packs = answers.packs[:1] if answers.hears in ONCE else answers.packs
    talkers = [
        "  [[links.hears]]\n"
        + _indented(talker.format(pack=pack.pack, number=n, addresses=addresses))
        for n, pack in enumerate(packs, 1)
    ]
    return f'[[links]]\nname = "packs"\n{link}\n\n' + "\n\n".join(talkers) + "\n"


def _indented(text: str) -> str:
    return "\n".join("  " + line for line in text.splitlines())
