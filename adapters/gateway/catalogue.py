"""Which kinds of links there are, and what can be heard and said on each. One function each.

A kind loads its adapter when a site asks for it, so that a site needs only the extras it uses.
"""

from collections.abc import Callable
from typing import Any

from adapters.gateway.kind import LinkKind, Make, MakeLink, Row, TalkerKind, over


def _said_simply(make: str) -> Make:
    """Return how to make a talker whose settings make it themselves."""
    return lambda chosen, _: getattr(chosen, make)()


def _agree(*names: str, source: str = "") -> Callable[[Any, Any], bool]:
    """Return whether two settings agree in all of these. `source`: an address that, left out, may be
    anybody's; of mappings (pack -> address) any address in common counts."""

    def agree(first: Any, second: Any) -> bool:
        addresses = {getattr(one, source) for one in (first, second)} if source else {None}
        if None not in addresses and len(addresses) > 1:
            return False
        return all(_meet(getattr(first, name), getattr(second, name)) for name in names)

    return agree


def _meet(first: Any, second: Any) -> bool:
    if isinstance(first, dict) and first and second:
        return not set(first.values()).isdisjoint(second.values())
    return bool(first == second)


# ---- Streams of bytes.


def _stream(settings: type, make: MakeLink) -> LinkKind:
    """Return a kind of link that moves bytes: the same is heard and said on all of them."""
    from adapters.framed.description import load_map
    from adapters.framed.talker import FramesTalker, HearsFrames
    from adapters.jsonlines.settings import HearsJsonLines, SaysJsonLines

    frames = TalkerKind(
        HearsFrames,
        lambda chosen, around: FramesTalker(
            load_map(around.folder / chosen.map), chosen.packs, chosen.answer_ms, chosen.gap_ms
        ),
        lambda chosen: list(chosen.packs),
        _agree("map", "packs"),
    )
    lines = TalkerKind(HearsJsonLines, _said_simply("talker"), lambda _: None)
    said = TalkerKind(SaysJsonLines, _said_simply("talker"))
    return LinkKind(settings, make, {"frames": frames, "json-lines": lines}, {"json-lines": said})


def serial() -> LinkKind:
    """A serial port."""
    from adapters.streams.port import SerialSettings, SerialTransport

    return _stream(SerialSettings, over(SerialTransport))


def tcp() -> LinkKind:
    """A TCP connection that we make."""
    from adapters.streams.tcp import TcpSettings, TcpTransport

    return _stream(TcpSettings, over(TcpTransport))


def tcp_listen() -> LinkKind:
    """A TCP connection that others make."""
    from adapters.streams.tcp import TcpListenSettings, TcpListenTransport

    return _stream(TcpListenSettings, over(TcpListenTransport))


def stdio() -> LinkKind:
    """Standard input and output."""
    from adapters.streams.terminal import StdioSettings, StdioTransport

    return _stream(StdioSettings, over(StdioTransport))


def ble() -> LinkKind:
    """Two BLE characteristics."""
    from adapters.streams.ble import BleSettings, BleTransport

    return _stream(BleSettings, over(BleTransport))


# ---- CAN.


def _pack_or_meter(chosen: Any) -> list[str]:
    """Return the pack that a talker brings; none if it is a meter on the common bus."""
    return [] if chosen.pack is None else [chosen.pack]


def can() -> LinkKind:
    """A CAN bus."""
    from adapters.can.bus import CanBus, CanSettings
    from adapters.can.hears import HearsSettings, hears
    from adapters.can.says import SaysSettings, says
    from adapters.nmea2000.hears import HearsNmea2000, Nmea2000Pack
    from adapters.nmea2000.says import Nmea2000Bank, SaysNmea2000
    from adapters.rvc.settings import HearsRvc, SaysRvc

    dbc = TalkerKind(
        HearsSettings,
        lambda chosen, around: hears(chosen, around.folder),
        _pack_or_meter,
        lambda a, b: a.only == b.only and _agree("map", "id_offset", source="source_address")(a, b),
    )
    nmea_2000 = TalkerKind(
        HearsNmea2000,
        lambda chosen, _: Nmea2000Pack(chosen),
        _pack_or_meter,
        _agree("instance", source="source_address"),
    )
    rv_c = TalkerKind(
        HearsRvc, _said_simply("talker"), lambda chosen: [chosen.pack], _agree("instance")
    )
    return LinkKind(
        CanSettings,
        over(CanBus),
        {
            "dbc": dbc,
            "nmea-2000": nmea_2000,
            "rv-c": rv_c,
        },
        {
            "dbc": TalkerKind(SaysSettings, lambda chosen, around: says(chosen, around.folder)),
            "nmea-2000": TalkerKind(SaysNmea2000, lambda chosen, _: Nmea2000Bank(chosen)),
            "rv-c": TalkerKind(SaysRvc, _said_simply("talker")),
        },
    )


# ---- Modbus.


def _modbus_client(settings: type) -> LinkKind:
    from adapters.modbus import (
        BankWriter,
        ClientTransport,
        PackPoller,
        PollSettings,
        WriteSettings,
        load_map,
    )

    polled = TalkerKind(
        PollSettings,
        lambda chosen, around: PackPoller(load_map(around.folder / chosen.map), chosen),
        lambda chosen: [chosen.pack],
        _agree("map", "device"),
    )
    written = TalkerKind(
        WriteSettings,
        lambda chosen, around: BankWriter(load_map(around.folder / chosen.map), chosen),
    )
    return LinkKind(settings, over(ClientTransport), {"registers": polled}, {"registers": written})


def modbus_tcp() -> LinkKind:
    """A Modbus server, or a gateway to a serial line, that we ask over TCP."""
    from adapters.modbus import TcpSettings

    return _modbus_client(TcpSettings)


def modbus_rtu() -> LinkKind:
    """A serial line on which we are the Modbus client."""
    from adapters.modbus import RtuSettings

    return _modbus_client(RtuSettings)


def _modbus_server(settings: type) -> LinkKind:
    from adapters.modbus import BankServer, ServerTransport, ServeSettings, load_map
    from adapters.sunspec.talker import SunSpecServer, SunSpecSettings, ratings_of

    served = TalkerKind(
        ServeSettings,
        lambda chosen, around: BankServer(load_map(around.folder / chosen.map), chosen),
    )
    sunspec = TalkerKind(
        SunSpecSettings,
        lambda chosen, around: SunSpecServer(
            chosen, ratings_of(chosen, around.settings), around.readings
        ),
    )
    return LinkKind(settings, over(ServerTransport), {}, {"registers": served, "sunspec": sunspec})


def modbus_tcp_server() -> LinkKind:
    """A Modbus server over TCP: others ask us."""
    from adapters.modbus import TcpServerSettings

    return _modbus_server(TcpServerSettings)


def modbus_rtu_server() -> LinkKind:
    """A serial line on which we are the only Modbus server."""
    from adapters.modbus import RtuServerSettings

    return _modbus_server(RtuServerSettings)


# ---- MQTT.


def mqtt() -> LinkKind:
    """A connection to an MQTT broker."""
    from adapters.homie.settings import HomieSettings
    from adapters.homie.talker import HomieTalker
    from adapters.mqtt.topics import TopicSettings, topic_talker
    from adapters.mqtt.transport import MqttSettings, mqtt_link

    topics = TalkerKind(
        TopicSettings,
        lambda chosen, around: topic_talker(chosen, around.folder),
        lambda chosen: list(chosen.names),
        _agree("map", "names"),
    )
    homie = TalkerKind(
        HomieSettings,
        lambda chosen, around: HomieTalker(
            chosen, [one.pack for one in around.settings.packs], around.readings
        ),
    )
    return LinkKind(
        MqttSettings,
        lambda name, settings, talkers, around: mqtt_link(
            name, settings.beside(around.folder), talkers
        ),
        {"topics": topics},
        {"homie": homie},
    )


# ---- Contacts.


def contacts() -> LinkKind:
    """Lines of this machine that drive contacts."""
    from adapters.contacts.settings import LineSettings, SaysContacts

    said = TalkerKind(SaysContacts, _said_simply("talker"))
    return LinkKind(LineSettings, over(LineSettings.transport), {}, {"contacts": said})


# ---- For people and their tools.


def metrics() -> LinkKind:
    """A page of metrics; nothing is heard or said on it."""
    from adapters.openmetrics.server import MetricsLink, MetricsSettings

    return LinkKind(
        MetricsSettings,
        lambda name, settings, _, around: MetricsLink(name, settings, around.readings),
    )


KINDS: dict[str, Row] = {
    "serial": Row(serial, "serial", ("serial",)),
    "tcp": Row(tcp),
    "tcp-listen": Row(tcp_listen),
    "stdio": Row(stdio),
    "ble": Row(ble, "ble", ("bleak",)),
    "can": Row(can, "can", ("can", "cantools")),
    "modbus-tcp": Row(modbus_tcp, "modbus", ("pymodbus",)),
    "modbus-rtu": Row(modbus_rtu, "modbus", ("pymodbus", "serial")),
    "modbus-tcp-server": Row(modbus_tcp_server, "modbus", ("pymodbus",)),
    "modbus-rtu-server": Row(modbus_rtu_server, "modbus", ("pymodbus", "serial")),
    "contacts": Row(contacts),
    "mqtt": Row(mqtt, "mqtt", ("aiomqtt",)),
    "metrics": Row(metrics),
}
