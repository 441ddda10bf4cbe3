"""The owner's files of the simulated site: a DBC, three maps, and SITE.toml. All invented."""

from pathlib import Path

from attrs import frozen

OAK_DBC = """\
VERSION ""
BU_: PACK GATEWAY
BO_ 256 STATE: 8 PACK
 SG_ Volts : 0|16@1+ (0.01,0) [0|100] "V" GATEWAY
 SG_ Amps : 16|16@1- (0.1,0) [-1000|1000] "A" GATEWAY
 SG_ Fullness : 32|16@1+ (0.1,0) [0|100] "%" GATEWAY
 SG_ Warmest : 48|8@1- (1,0) [-40|100] "degC" GATEWAY
 SG_ Coldest : 56|8@1- (1,0) [-40|100] "degC" GATEWAY
BO_ 257 CELLS: 8 PACK
 SG_ CellHigh : 0|16@1+ (1,0) [0|5000] "mV" GATEWAY
 SG_ CellLow : 16|16@1+ (1,0) [0|5000] "mV" GATEWAY
 SG_ May : 32|4@1+ (1,0) [0|15] "" GATEWAY
 SG_ Alive : 36|4@1+ (1,0) [0|15] "" GATEWAY
 SG_ Trouble : 40|16@1+ (1,0) [0|0] "" GATEWAY
BO_ 258 LIMITS: 8 PACK
 SG_ MostVolts : 0|16@1+ (0.1,0) [0|100] "V" GATEWAY
 SG_ LeastVolts : 16|16@1+ (0.1,0) [0|100] "V" GATEWAY
 SG_ MostIn : 32|16@1+ (0.1,0) [0|1000] "A" GATEWAY
 SG_ MostOut : 48|16@1+ (0.1,0) [0|1000] "A" GATEWAY
"""
OAK = """\
kind = "dbc"
dbc = "oak.dbc"
no_data = "none"

[[messages]]
message = "STATE"
period_ms = 50
signals = [
  { signal = "Volts", field = "voltage_mv" },
  { signal = "Amps", field = "current_ma", positive = "discharge" },
  { signal = "Fullness", field = "soc_permille" },
  { signal = "Warmest", field = "temperature_max_decic" },
  { signal = "Coldest", field = "temperature_min_decic" },
]

[[messages]]
message = "CELLS"
period_ms = 50
counter = { signal = "Alive" }
signals = [
  { signal = "CellHigh", field = "cell_max_mv" },
  { signal = "CellLow", field = "cell_min_mv" },
  { signal = "May", field = "charge_allowed", bit = 0 },
  { signal = "May", field = "discharge_allowed", bit = 1 },
  { signal = "May", field = "charge_path_closed", bit = 2 },
  { signal = "May", field = "discharge_path_closed", bit = 3 },
  { signal = "Trouble", field = "protections", bits = { 0 = "charge_over_current", 1 = "cell_over_voltage", 2 = "discharge_over_current", 3 = "cell_under_voltage" } },
]

[[messages]]
message = "LIMITS"
period_ms = 50
signals = [
  { signal = "MostVolts", field = "charge_voltage_limit_mv" },
  { signal = "LeastVolts", field = "discharge_voltage_limit_mv" },
  { signal = "MostIn", field = "charge_current_limit_ma" },
  { signal = "MostOut", field = "discharge_current_limit_ma" },
]
"""
ASH = """\
kind = "registers"

[[groups]]
name = "now"
function = 4
every_ms = {every_ms}
rows = [
  {{ field = "voltage_mv", address = 0, unit = "V", scale = 0.01 }},
  {{ field = "current_ma", address = 1, type = "i16", unit = "A", scale = 0.1 }},
  {{ field = "soc_permille", address = 2, unit = "%", scale = 0.1 }},
  {{ field = "cell_max_mv", address = 3 }},
  {{ field = "cell_min_mv", address = 4 }},
  {{ field = "temperature_max_decic", address = 5, type = "i16" }},
  {{ field = "temperature_min_decic", address = 6, type = "i16" }},
  {{ field = "charge_voltage_limit_mv", address = 7, unit = "V", scale = 0.1 }},
  {{ field = "discharge_voltage_limit_mv", address = 8, unit = "V", scale = 0.1 }},
  {{ field = "charge_current_limit_ma", address = 9, unit = "A", scale = 0.1 }},
  {{ field = "discharge_current_limit_ma", address = 10, unit = "A", scale = 0.1 }},
  {{ field = "charge_allowed", address = 11, bit = 0 }},
  {{ field = "discharge_allowed", address = 11, bit = 1 }},
  {{ field = "charge_path_closed", address = 11, bit = 2 }},
  {{ field = "discharge_path_closed", address = 11, bit = 3 }},
]
"""
ELM = """\
kind = "topics"

[[topics]]
topic = "shed/{pack}/state"
values = [
  { field = "voltage_mv", pointer = "/volts", unit = "V" },
  { field = "current_ma", pointer = "/amps", unit = "A" },
  { field = "soc_permille", pointer = "/full", unit = "%" },
  { field = "cell_max_mv", pointer = "/cells/high" },
  { field = "cell_min_mv", pointer = "/cells/low" },
  { field = "temperature_max_decic", pointer = "/warmest" },
  { field = "temperature_min_decic", pointer = "/coldest" },
  { field = "charge_voltage_limit_mv", pointer = "/most/volts", unit = "V" },
  { field = "discharge_voltage_limit_mv", pointer = "/least/volts", unit = "V" },
  { field = "charge_current_limit_ma", pointer = "/most/in", unit = "A" },
  { field = "discharge_current_limit_ma", pointer = "/most/out", unit = "A" },
  { field = "charge_allowed", pointer = "/may/charge", words = { yes = 1, no = 0 } },
  { field = "discharge_allowed", pointer = "/may/discharge", words = { yes = 1, no = 0 } },
  { field = "charge_path_closed", pointer = "/closed/charge", words = { yes = 1, no = 0 } },
  { field = "discharge_path_closed", pointer = "/closed/discharge", words = { yes = 1, no = 0 } },
]
"""
SITE = """\
fresh_ms = {fresh_ms}
unheard_ms = {unheard_ms}
charger_limits = "battery"

[stages]
absorption_ms = {absorption_ms}

{packs}
[gateway]
step_ms = 50
state = ""
record = "{record}"

[[links]]
name = "can"
kind = "can"
interface = "slcan"
channel = "{can}"
bitrate = 250_000
options = {{ sleep_after_open = 0.05 }}
  [[links.hears]]
  as = "dbc"
  map = "oak.toml"
  pack = "oak"
  [[links.says]]
  as = "rv-c"
  manufacturer_code = 0
  identity_number = 1

[[links]]
name = "modbus"
kind = "modbus-tcp"
host = "127.0.0.1"
port = {modbus_port}
  [[links.hears]]
  as = "registers"
  map = "ash.toml"
  pack = "ash"

[[links]]
name = "mqtt"
kind = "mqtt"
host = "127.0.0.1"
port = {mqtt_port}
  [[links.hears]]
  as = "topics"
  map = "elm.toml"
  pack = "elm"
  [[links.says]]
  as = "homie"

[[links]]
name = "serial"
kind = "serial"
port = "{serial}"
  [[links.hears]]
  as = "json-lines"
  answers = false
  checksums = true

[[links]]
name = "inverter"
kind = "modbus-tcp-server"
port = {sunspec_port}
  [[links.says]]
  as = "sunspec"
"""


@frozen(kw_only=True)
class Places:
    """Where the buses of the site are."""

    can: str
    serial: str
    modbus_port: int
    mqtt_port: int
    sunspec_port: int


def write_site(folder: Path, places: Places, packs: str, **numbers: object) -> Path:
    """Write all files of the site into a folder; return SITE.toml."""
    (folder / "oak.dbc").write_text(OAK_DBC, encoding="utf-8")
    (folder / "oak.toml").write_text(OAK, encoding="utf-8")
    (folder / "ash.toml").write_text(ASH.format(**numbers), encoding="utf-8")
    (folder / "elm.toml").write_text(ELM, encoding="utf-8")
    site = folder / "SITE.toml"
    text = SITE.format(
        can=places.can, serial=places.serial, modbus_port=places.modbus_port,
        mqtt_port=places.mqtt_port, sunspec_port=places.sunspec_port, packs=packs, **numbers,
    )  # fmt: skip
    site.write_text(text, encoding="utf-8")
    return site
