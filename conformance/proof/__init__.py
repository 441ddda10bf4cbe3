"""Proofs about the core's real functions; `python -m conformance.proof`.

What is proved, and what is not: docs/explanation/proof.md.
"""

# Each import adds its theorems.
from conformance.proof import changes as _changes  # noqa: F401
from conformance.proof import currents as _currents  # noqa: F401
from conformance.proof import packs as _packs  # noqa: F401
from conformance.proof import tables as _tables  # noqa: F401
from conformance.proof import voltages as _voltages  # noqa: F401
from conformance.proof.theorem import THEOREMS

__all__ = ["THEOREMS"]
