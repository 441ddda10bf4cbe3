"""A day on site: simulated packs on four real buses, the gateway between, chargers that obey.

    oak   CAN, by a DBC of its own, over a pseudo-terminal that speaks slcan; on the same bus a
          charger that obeys RV-C
    ash   Modbus TCP, by a register map
    elm   MQTT, by a map of topics, through a real broker (mosquitto)
    fir   JSON lines over a serial line (a pseudo-terminal)
    and a second charger, an inverter that reads the gateway's SunSpec server over Modbus TCP

The gateway is `packyoke run` in a process of its own; time runs faster than real for both sides
(`--rehearse`). Faults are dealt out by a seeded random: lines fall silent, bytes are corrupted, the
broker is killed and started again, the Modbus server goes away. `python -m tests.day` prints what
came of it. The site is invented.
"""
