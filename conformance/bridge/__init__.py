"""A small bridge of the kit's own, in plain dictionaries: what the mutants are made from.

It shares no code with the core. It is cautious and short, no model for anybody's bridge.
`python -m conformance.bridge` speaks the driver protocol on standard input and output.
"""
