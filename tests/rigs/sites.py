"""What stands around each bridge: its SITE.toml, and the RIG.toml that is the same turned round."""

from collections.abc import Callable
from pathlib import Path

from tests.broker import free_port
from tests.day.maps import ASH, ELM, OAK, OAK_DBC

FAST = """\
fresh_ms = 3_000
unheard_ms = 8_000
recovery_samples = 1
reenable_ms = 1_000
settle_ms = 1_000
path_settle_ms = 1_000
ramp_permille_per_s = 200
"""
PACKS = """
[[packs]]
pack = "oak"
capacity_mah = 100_000

[[packs]]
pack = "fir"
capacity_mah = 100_000

"""
GATEWAY = '[gateway]\nstep_ms = 200\nstate = ""\n'
RIG = "[rig]\nreact_ms = 2_000\n"
MULTICAST = """\
interface = "udp_multicast"
channel = "239.74.163.2"
options = {{ port = {port}, hop_limit = 0 }}
"""
CAN = """
[[links]]
name = "van"
kind = "can"
{bus}
  [[links.{packs}]]
  as = "dbc"
  map = "oak.toml"
  pack = "oak"
  [[links.{packs}]]
  as = "dbc"
  map = "oak.toml"
  pack = "fir"
  id_offset = 16
  [[links.{chargers}]]
  as = "rv-c"
"""
POLLED = """
[[links]]
name = "{pack}"
kind = "{kind}"
host = "127.0.0.1"
port = {port}
  [[links.{packs}]]
  as = "registers"
  map = "ash.toml"
  pack = "{pack}"
"""
INVERTER = """
[[links]]
name = "inverter"
kind = "{kind}"
host = "127.0.0.1"
port = {port}
  [[links.{chargers}]]
  as = "sunspec"
"""
MQTT = """
[[links]]
name = "broker"
kind = "mqtt"
host = "127.0.0.1"
port = {port}
  [[links.{packs}]]
  as = "topics"
  map = "elm.toml"
  packs = {{ oak = "oak", fir = "fir" }}
  [[links.{chargers}]]
  as = "homie"
"""
SITE_WORDS = {"packs": "hears", "chargers": "says"}
RIG_WORDS = {"packs": "plays", "chargers": "listens"}


def _write(folder: Path, site: str, rig: str, files: dict[str, str]) -> None:
    files |= {"SITE.toml": FAST + PACKS + GATEWAY + site, "RIG.toml": FAST + PACKS + RIG + rig}
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")


def can(folder: Path) -> None:
    """Two packs of one make and a charger on one CAN bus."""
    bus = MULTICAST.format(port=free_port())
    own = "  manufacturer_code = 0\n  identity_number = 1\n"
    site, rig = CAN.format(bus=bus, **SITE_WORDS) + own, CAN.format(bus=bus, **RIG_WORDS)
    _write(
        folder,
        site,
        rig,
        {"oak.dbc": OAK_DBC, "oak.toml": OAK.replace("period_ms = 50", "period_ms = 500")},
    )


def modbus(folder: Path) -> None:
    """Two packs, each a server of its own, and an inverter that asks the bridge."""
    ports = {pack: free_port() for pack in ("oak", "fir")}
    port = free_port()
    client, server = "modbus-tcp", "modbus-tcp-server"
    site = "".join(
        POLLED.format(pack=pack, kind=client, port=at, **SITE_WORDS) for pack, at in ports.items()
    ) + INVERTER.format(kind=server, port=port, **SITE_WORDS)
    rig = "".join(
        POLLED.format(pack=pack, kind=server, port=at, **RIG_WORDS) for pack, at in ports.items()
    ) + INVERTER.format(kind=client, port=port, **RIG_WORDS)
    _write(folder, site, rig, {"ash.toml": ASH.format(every_ms=250)})


def mqtt(folder: Path, port: int) -> None:
    """Two packs and a charger on one broker."""
    site, rig = MQTT.format(port=port, **SITE_WORDS), MQTT.format(port=port, **RIG_WORDS)
    _write(folder, site, rig, {"elm.toml": ELM})


SITES: dict[str, Callable[[Path], None]] = {"can": can, "modbus": modbus}
