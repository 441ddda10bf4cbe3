"""A bridge between real buses, judged: the kit plays the packs on one, a charger on another.

    target.py    BusTarget: the driver protocol's report and step as traffic and waiting, nothing more
    witness.py   the oracle, reading along what the buses carried, patient with their delays
    stories.py   the stories that make sense in real time, for any bank: the cases of profile "bus"

The buses themselves are a `Rig`, which adapters bring.
"""
