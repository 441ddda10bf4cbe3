"""Framed serial: whatever a board sends over a serial line, by a description that the owner writes.

description.py  the owner's file into records, every mistake in one pass
codec.py        one pack's frames, both ways
talker.py       asks the packs of a line in turn; and plays a pack
explain.py      what a description reads out of a recording
"""
