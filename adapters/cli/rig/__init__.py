"""The kit on real buses: packs played on some, chargers on others, a bridge between.

kinds.py     what can be played and listened to on each kind of link
voices.py    a pack's voice on a bus: what it says, garbles, and how much of it the bus carries
ears.py      a charger's ears: what it is told, in the view's fields
file.py      RIG.toml into links, every mistake in one pass
running.py   the rig at work: its links in a thread of their own
"""
