"""RV-C, the open standard for CAN in vehicles (RV-C-2023): DC sources and the chargers that obey them.

frames.py    identifiers, data group numbers, two-bit flags (board-safe)
scales.py    numbers of the bus and of the core, rounded to the safe side (board-safe)
statuses.py  the data bytes of each status, both ways (board-safe)
flags.py     what STATUS_6 stops, and its alarms (board-safe)
said.py      what is said of a view, how often, in a table (board-safe)
address.py   claiming an address (board-safe)
rank.py      which source speaks for a DC instance (board-safe)
source.py    the talker that speaks for the bank, and hears commands (board-safe)
pack.py      the talker that hears a pack (board-safe)
charger.py   the other side: a charger that obeys, and a pack that speaks
settings.py  what an owner may set, on a host
"""
