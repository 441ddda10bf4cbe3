"""JSON lines, in and out over any stream of bytes: standard input, a socket, a serial line.

names.py      words found in bytes without making a text; the keys a line may have (board-safe)
scanner.py    one line, byte by byte, into the values of its keys (board-safe)
check.py      the checksum that may stand behind a line (board-safe)
lines_in.py   chunks in, records out, a word about what was refused (board-safe)
lines_out.py  the view: when a line is due (board-safe)
writer.py     the view as a line, in a buffer that is used again (board-safe)
opposite.py   the other side: writes reports as a pack would, reads views as a listener would
settings.py   what an owner may set, on a host
"""
