"""Everything around the core: buses, files, logs and the command line.

A folder for each bus or standard, none of which knows the others, and these in common:

cli/           the command line and what a person sees; composes all the others
can/           CAN through python-can, and the owner's DBC map, both ways
nmea2000/      NMEA 2000: battery telemetry, and what chargers report
rvc/           RV-C: speak as a DC source, hear packs, play a charger (board-safe)
contacts/      contacts for charge, discharge and loads (board-safe)
jsonlines/     JSON lines in and out, over any stream (board-safe)
links.py       how anything talks to the bank: talkers, transports, links; back-off
counts.py      what a talker or a link has seen (board-safe)
meaning.py     what a number on a bus means: unit, scale, sign, "no data"; both ways
capture.py     what a map reads out of a recording
checksums.py   sums and CRCs by name
readings.py    each pack's last reading
assembly.py    whole reports out of parts
config.py      TOML files into settings, every mistake in one pass
structure.py   plain values into records, gathering what is wrong
toml_file.py   reading TOML, and the line on which a key stands
log.py         driver-protocol lines with their answers: record, replay
"""
