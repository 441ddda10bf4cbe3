"""A whole gateway between two sides of one broker: `python -m tests.homie_gateway PORT PACK...`.

Packs publish shed/PACK (JSON, see MAP); the bank speaks as Homie devices. Ends well on SIGTERM.
"""

import asyncio
import io
import signal
import sys

from adapters.gateway.journal import Journal
from adapters.gateway.runtime import Gateway
from adapters.homie.settings import HomieSettings
from adapters.homie.talker import HomieTalker
from adapters.mqtt.topic_map import Row, Topic, TopicMap
from adapters.mqtt.topics import TopicTalker
from adapters.mqtt.transport import MqttSettings, mqtt_link
from adapters.readings import Readings
from aggregator import BankSettings, PackSettings

ROWS = [
    Row(field="voltage_mv", pointer="/u", unit="V"),
    Row(field="current_ma", pointer="/i", unit="A"),
    Row(field="cell_min_mv", pointer="/low", unit="V"),
    Row(field="cell_max_mv", pointer="/high", unit="V"),
    Row(field="temperature_min_decic", pointer="/t", unit="°C"),
    Row(field="temperature_max_decic", pointer="/t", unit="°C"),
    Row(field="charge_current_limit_ma", pointer="/in", unit="A"),
    Row(field="discharge_current_limit_ma", pointer="/out", unit="A"),
]
MAP = TopicMap(kind="topics", topics=[Topic(topic="shed/{pack}", values=ROWS)])
KEEPALIVE_S = 2
HOLD_S = 3


def gateway(port: int, packs: list[str]) -> Gateway:
    """Return a gateway on the broker at `port`."""
    readings = Readings()
    talkers = [
        TopicTalker(MAP, {pack: pack for pack in packs}),
        HomieTalker(
            HomieSettings(requests=True, beat_s=1.0, hold_s=HOLD_S, every_s=0.2), packs, readings
        ),
    ]
    broker = MqttSettings(host="127.0.0.1", port=port, keepalive_s=KEEPALIVE_S)
    settings = BankSettings(
        [PackSettings(pack, capacity_mah=100_000) for pack in packs],
        reenable_ms=0, path_settle_ms=0, settle_ms=0, recovery_samples=1, ramp_permille_per_s=1_000, margin_permille=0,
    )  # fmt: skip
    links = [mqtt_link("broker", broker, talkers)]
    return Gateway(settings, links, Journal(io.StringIO()), readings=readings)


async def main(port: int, packs: list[str]) -> None:
    """Run until SIGTERM."""
    task = asyncio.create_task(gateway(port, packs).run())
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, task.cancel)
    await asyncio.gather(task, return_exceptions=True)


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), sys.argv[2:]))
