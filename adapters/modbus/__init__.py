"""Modbus: packs read, the bank served or written, by register maps of the owner's.

maps.py, checks.py   a map in TOML, and everything that can be wrong with it
spell.py             one value as a register's number, on its safe side
packs.py             talker: asks packs (and plays them)
bank.py              the bank's words, and reading them back
serve.py, write.py   talkers: the bank as a server, as a client that writes into a charger
client.py, server.py transports: TCP, RTU, RTU over TCP (extra `modbus`)
capture.py           what a map makes of a recording
"""

from adapters.modbus.bank import read_bank
from adapters.modbus.capture import capture_line, explain
from adapters.modbus.checks import load_map
from adapters.modbus.client import ClientTransport, RtuSettings, TcpSettings
from adapters.modbus.maps import RegisterMap
from adapters.modbus.packs import PackPoller, PackServer, PollSettings, pack_tables
from adapters.modbus.serve import BankServer, ServeSettings
from adapters.modbus.server import RtuServerSettings, ServerTransport, TcpServerSettings
from adapters.modbus.write import BankWriter, WriteSettings

__all__ = [
    "BankServer",
    "BankWriter",
    "ClientTransport",
    "PackPoller",
    "PackServer",
    "PollSettings",
    "RegisterMap",
    "RtuServerSettings",
    "RtuSettings",
    "ServeSettings",
    "ServerTransport",
    "TcpServerSettings",
    "TcpSettings",
    "WriteSettings",
    "capture_line",
    "explain",
    "load_map",
    "pack_tables",
    "read_bank",
]
