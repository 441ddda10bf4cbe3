"""An inverter of our own reads the SunSpec battery over a real connection, and obeys."""

import asyncio

from hypothesis import given
from hypothesis import strategies as st

from adapters.links import MessageLink
from adapters.modbus import ClientTransport, ServerTransport, TcpServerSettings, TcpSettings
from adapters.registers import Answer, Ask
from adapters.sunspec import AskSettings, Orders, SunSpecClient, SunSpecServer, SunSpecSettings
from tests.registers import Room, until, view_of
from tests.unit.test_sunspec import RATINGS


def test_an_inverter_obeys_and_stops_when_the_battery_goes_away() -> None:
    """It takes over the limits, follows a fall, and does nothing once nobody answers."""

    async def run() -> None:
        transport, room = ServerTransport(TcpServerSettings(port=0)), Room()
        inverter = SunSpecClient(AskSettings(every_ms=200))

        def orders() -> Orders:
            return inverter.orders(room.now_ms())

        server = MessageLink("s", transport, [SunSpecServer(SunSpecSettings(), RATINGS)])
        serving = asyncio.create_task(server.run(room))
        await until(lambda: transport.is_open)
        client = ClientTransport(TcpSettings(host="127.0.0.1", port=transport.port))
        reading = asyncio.create_task(MessageLink("c", client, [inverter]).run(Room()))
        try:
            await until(lambda: orders().charge_current_ma == 150_000)
            assert orders().charge_voltage_mv == 55_200
            assert orders().discharge_voltage_mv == 44_810
            room.view = view_of(charge_current_limit_ma=20_000)
            await until(lambda: orders().charge_current_ma == 20_000)
            room.speaks = False
            await until(lambda: orders().why == "State is 99")
            room.speaks = True
            await until(lambda: orders().charge_current_ma == 20_000)
            serving.cancel()
            await until(lambda: orders().charge_current_ma == 0)
        finally:
            for task in (serving, reading):
                task.cancel()
            await asyncio.gather(serving, reading, return_exceptions=True)

    asyncio.run(run())


answers = st.one_of(
    st.none(), st.lists(st.integers(0, 0xFFFF), max_size=6), st.sampled_from(["zeros", "ones"])
)


@given(turns=st.lists(st.tuples(st.integers(0, 9_000), answers), max_size=25))
def test_any_answers_never_raise(turns: list[tuple[int, object]]) -> None:
    """Nonsense, silence, wrong lengths: it goes on asking within the chain, and does nothing."""
    client, view, now_ms = SunSpecClient(AskSettings()), view_of(), 0
    for passed_ms, said in turns:
        now_ms += passed_ms
        for ask in client.due(now_ms, view, True):
            assert isinstance(ask, Ask)
            assert 1 <= ask.count <= 125
            fill = {"zeros": 0, "ones": 0xFFFF}.get(str(said))
            words = [fill] * ask.count if fill is not None else said
            client.received(Answer(ask, words and tuple(words)), now_ms)  # type: ignore[arg-type]
    assert client.orders(now_ms).charge_current_ma == 0
