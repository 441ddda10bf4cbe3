"""The SunSpec battery over a real connection, read and written by an independent client."""

import asyncio
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import sunspec2.modbus.client as sunspec_client
import sunspec2.modbus.modbus as sunspec_modbus

from adapters.links import MessageLink
from adapters.modbus import ServerTransport, TcpServerSettings
from adapters.registers import HOLDING, Image
from adapters.sunspec import SunSpecServer, SunSpecSettings
from adapters.sunspec.image import BATTERY_AT
from adapters.sunspec.models import BATTERY
from aggregator import PackReport, SystemView
from tests.gateway import reading
from tests.readings import told
from tests.registers import Room, until, view_of
from tests.unit.test_sunspec import RATINGS


def served(talk: Callable[[Any, Room], Any], *, base: int = 40_000, talker: Any = None) -> Any:
    """Serve the battery on loopback; return what `talk`, in a thread of its own, returns."""

    async def run() -> Any:
        room = Room()
        server = talker or SunSpecServer(SunSpecSettings(base=base), RATINGS)
        transport = ServerTransport(TcpServerSettings(port=0))
        link = asyncio.create_task(MessageLink("server", transport, [server]).run(room))
        await until(lambda: transport.is_open)
        try:
            return await asyncio.to_thread(talk, transport.port, room)
        finally:
            link.cancel()
            await asyncio.gather(link, return_exceptions=True)

    return asyncio.run(run())


@contextmanager
def client(port: int) -> Iterator[Any]:
    device = sunspec_client.SunSpecModbusClientDeviceTCP(
        slave_id=1, ipaddr="127.0.0.1", ipport=port, timeout=5
    )
    try:
        yield device
    finally:
        device.disconnect()


@pytest.mark.source("PYSUNSPEC2", "scan of a device, scaled values")
@pytest.mark.parametrize("base", [40_000, 0, 50_000])
def test_an_independent_client_finds_all_models(base: int) -> None:
    """A scan finds the base and the four models, and reads each value in its unit."""

    def talk(port: int, room: Room) -> None:
        with client(port) as device:
            device.scan()
            assert device.base_addr == base
            assert [key for key in device.models if isinstance(key, int)] == [1, 802, 803, 713]
            assert device.common[0].Mn.value == "packyoke"
            battery = device.battery[0]
            scaled = {name: getattr(battery, name).cvalue for name in (
                "V", "VMax", "VMin", "A", "AChaMax", "ADisChaMax", "SoC", "SoH", "DoD", "AHRtg",
            )}  # fmt: skip
            assert scaled == {
                "V": 53.12, "VMax": 55.2, "VMin": 44.81, "A": 42.5, "AChaMax": 150.0,
                "ADisChaMax": 200.0, "SoC": 87.3, "SoH": 99.0, "DoD": 12.7, "AHRtg": 874.0,
            }  # fmt: skip
            assert battery.State.value == 3
            assert battery.NCyc.value is None  # not implemented
            strings = device.lithium_ion_bank[0]
            assert strings.NStr.value == len(strings.string) == 4
            assert strings.ModTmpMax.cvalue == 23.1
            assert device.DERStorageCapacity[0].SoC.cvalue == 87.3

    served(talk, base=base)


@pytest.mark.source("PYSUNSPEC2", "scaled values of a repeating group")
def test_an_independent_client_reads_each_pack() -> None:
    """A string says what its pack reads; one that falls silent, or does not tell, has no numbers."""
    names = ("StrSoC", "StrSoH", "StrA", "StrCellVMax", "StrCellVMin", "StrCellVAvg",
             "StrModTmpMax", "StrModTmpMin", "StrModTmpAvg")  # fmt: skip
    ash = reading("ash", 1, current_ma=-42_540, cells_mv=[3_310, 3_324, 3_330], soh_permille=995,
                  temperatures_decic=[-21, 200, 220], temperature_min_decic=None)  # fmt: skip
    readings = told(ash, PackReport("elm", 1, soc_permille=5), reading("fir", 1))

    def talk(port: int, room: Room) -> None:
        with client(port) as device:
            device.scan()
            strings = device.lithium_ion_bank[0]
            assert strings.string[2].StrSoC.cvalue == 60.0
            room.view.packs[2].presence = "unheard"
            fell_s = time.monotonic()
            while strings.string[2].StrSoC.cvalue is not None:
                assert time.monotonic() - fell_s < 5
                strings.read()
            found = [[getattr(one, name).cvalue for name in names] for one in strings.string]
        assert found == [
            [60.0, 99.5, 42.5, 3.33, 3.31, 3.321, 22.0, -2.1, 13.3],
            [0.5, *[None] * 8],
            [None] * 9,
            [None] * 9,
        ]

    served(talk, talker=SunSpecServer(SunSpecSettings(), RATINGS, readings))


@pytest.mark.source("PYSUNSPEC2", "write of a point")
def test_an_independent_client_disconnects_and_connects() -> None:
    """SetOp 2 becomes both stops, 1 takes them back; the client reads back what it wrote."""

    def talk(port: int, room: Room) -> None:
        with client(port) as device:
            device.scan()
            battery = device.battery[0]
            battery.SetOp.value = 2
            battery.write()
            battery.read()
            assert battery.SetOp.value == 2
            battery.AlmRst.value = 1
            battery.write()
            battery.read()
            assert battery.AlmRst.value == 0
            battery.SetOp.value = 1
            battery.write()
        assert [(one.kind, one.field) for one in room.came] == [  # type: ignore[union-attr]
            ("stop_charge", None),
            ("stop_discharge", None),
            ("clear", "stop_charge"),
            ("clear", "stop_discharge"),
        ]

    served(talk)


@pytest.mark.source("PYSUNSPEC2", "the other points of the same model refuse to be written")
def test_nothing_else_can_be_written() -> None:
    """Writing a limit gets exception 2, and the limit stays."""

    def talk(port: int, room: Room) -> None:
        at = 40_000 + BATTERY_AT + BATTERY.offset("AChaMax")
        with client(port) as device:
            device.connect()
            with pytest.raises(sunspec_modbus.ModbusClientException, match="2"):
                device.client.write(at, b"\xff\xf0")
            assert device.client.read(at, 1) == (1_500).to_bytes(2, "big")

    served(talk)


class TooLong(SunSpecServer):
    """Says that there is one string more than there is."""

    def due(self, now_ms: int, view: SystemView, may_speak: bool) -> list[Image]:
        images = []
        for image in super().due(now_ms, view, may_speak):
            assert isinstance(image, Image)
            assert image.tables is not None
            table = dict(image.tables[HOLDING])
            length_at = 40_000 + BATTERY_AT + BATTERY.length() + 2 + 1
            table[length_at] += 32
            images.append(Image(image.device, {HOLDING: table}))
        return images


@pytest.mark.source("PYSUNSPEC2", "scan that runs off the end")
def test_a_wrong_length_is_noticed_by_the_client() -> None:
    """The check above can fail: with one string too many in L the scan breaks off."""

    def talk(port: int, room: Room) -> None:
        with client(port) as device, pytest.raises(sunspec_modbus.ModbusClientException):
            device.scan()

    served(talk, talker=TooLong(SunSpecSettings(), RATINGS))


def test_a_change_is_read_soon() -> None:
    """A limit that falls is in what is soon read."""

    def talk(port: int, room: Room) -> None:
        with client(port) as device:
            device.scan()
            room.view = view_of(charge_current_limit_ma=10_000)
            fell_s = time.monotonic()
            while device.battery[0].AChaMax.cvalue != 10.0:
                assert time.monotonic() - fell_s < 5
                device.battery[0].read()

    served(talk)


def test_a_silent_controller_is_noticed_on_the_link() -> None:
    """Nobody writes the heartbeat: the owner's wish is asked, without any request having come."""

    def talk(port: int, room: Room) -> None:
        time.sleep(5)
        assert [(one.kind, one.source) for one in room.came] == [  # type: ignore[union-attr]
            ("stop_charge", "sunspec watchdog")
        ]

    served(talk, talker=SunSpecServer(SunSpecSettings(controller_ms=2_000), RATINGS))
