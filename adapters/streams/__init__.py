"""Streams of bytes: a serial port, a TCP connection, standard input and output, a BLE characteristic.

A chunk of bytes is what one read brings; where messages begin and end is the talker's business.
"""

from adapters.streams.ble import BleSettings, BleTransport
from adapters.streams.port import SerialSettings, SerialTransport
from adapters.streams.tcp import (
    TcpListenSettings,
    TcpListenTransport,
    TcpSettings,
    TcpTransport,
)
from adapters.streams.terminal import StdioSettings, StdioTransport

__all__ = [
    "BleSettings",
    "BleTransport",
    "SerialSettings",
    "SerialTransport",
    "StdioSettings",
    "StdioTransport",
    "TcpListenSettings",
    "TcpListenTransport",
    "TcpSettings",
    "TcpTransport",
]
