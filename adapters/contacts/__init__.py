"""Contacts: may charge, may discharge, loads may stay on. Open or without power means no.

levels.py     a view to levels, and against chatter (board-safe)
pins.py       levels to pins of a board (board-safe)
lines.py      levels to files, on a host (the kernel's GPIO value files, or any other)
settings.py   what an owner may set, on a host
"""
