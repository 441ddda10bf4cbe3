"""Bytes thrown at every decoder: nothing raises, and nothing impossible is ever handed over.

`python -m tests.fuzz [--inputs N]` throws a million by default, shared among the decoders; half of
them are right messages with a few bytes changed, so that they get past the first check.
"""
