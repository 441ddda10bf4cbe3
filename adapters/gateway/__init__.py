"""The gateway on a host: any number of links around one bank.

site_file.py   SITE.toml into settings and links, every mistake in one pass
catalogue.py   which kinds of links there are, and what can be said on each
runtime.py     the loop: records in, a step, links told
keeper.py      what survives a restart, on disk
journal.py     what happened, for people and programs
"""
