"""The gateway on a host: any number of links around one bank.

site_file.py   SITE.toml into settings and links, every mistake in one pass
settings.py    the gateway's own table of the site's file
kind.py        what the gateway has to know about a kind of link
catalogue.py   which kinds of links there are, and what can be said on each
runtime.py     the loop: records in, a step, links told
keeper.py      what survives a restart, on disk
recorder.py    the history: a log that view, why and replay read
journal.py     what happened, for people and programs
service.py     a gateway made from a site's file, stopped by signals
listening.py   hear everything, say nothing
meter.py       a pack's current against a meter
plug.py        how long chargers go on when we fall silent
connect.py     may this pack be connected now?
"""
