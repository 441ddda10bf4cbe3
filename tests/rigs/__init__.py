"""Bridges on real buses, judged from outside: `packyoke judge`, and the gateway as its bridge.

    can       packs by a DBC, charger on RV-C, over multicast that stays on this machine
    modbus    packs by registers, an inverter that reads SunSpec, over TCP
    mqtt      packs by topics, a charger that follows Homie devices, through a real broker (mosquitto)
    bad       the same as mqtt, with a bridge that adds up limits and is deaf (bad_bridge.py)

`python -m tests.rigs` tells all stories on all of them, side by side. `simulated.py` is a rig without
buses, with a clock of its own. The sites are invented.
"""
