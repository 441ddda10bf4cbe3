"""Everything around the core on a host: files, logs and the command line.

cli/           the command line and what a person sees; composes all the others
config.py      TOML files into settings, every mistake in one pass
structure.py   plain values into records, gathering what is wrong
toml_file.py   reading TOML, and the line on which a key stands
log.py         driver-protocol lines with their answers: record, replay
"""
