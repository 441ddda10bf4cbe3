"""A second opinion on any bridge: what it must never do, found by reading its conversation along.

    oracle = Oracle()
    breaches = oracle.see(request, answer)      # for each exchange of the driver protocol
    invariants(history)                         # the same for a whole conversation

Slow and obvious on purpose; it shares no arithmetic with the core, of which it imports the
settings records only. It states bounds, so that a more cautious bridge passes: what a bridge should
be able to do is for the vectors to say. `twins` compares conversations, `physical` closes the loop.
"""

from collections.abc import Iterable

from conformance.oracle.breach import Breach, Exchange, Plain
from conformance.oracle.conduct import conduct
from conformance.oracle.currents import currents
from conformance.oracle.merging import merging
from conformance.oracle.reader import Reader
from conformance.oracle.staging import staging
from conformance.oracle.voltages import voltages

__all__ = ["Breach", "Exchange", "Oracle", "Plain", "invariants"]

# What is asked after every step, in this order: the stage shown decides the target voltage, and a
# denial that is found by `currents` counts for the stage of the next step.
CHECKS = (staging, currents, voltages, merging)


class Oracle:
    """Judges a conversation as it goes on."""

    def __init__(self) -> None:
        self.known = Reader()

    def see(self, request: Plain, answer: Plain) -> list[Breach]:
        """Note one exchange; return what it breaches."""
        breaches = list(conduct(self.known, request, answer))
        self.known.take(request, answer)
        if request.get("op") == "step" and answer.get("ok") is True and self.known.settings:
            for check in CHECKS:
                breaches.extend(check(self.known))
        return breaches


def invariants(history: Iterable[Exchange]) -> list[Breach]:
    """Return every breach in a conversation, in order."""
    oracle = Oracle()
    return [breach for request, answer in history for breach in oracle.see(request, answer)]
