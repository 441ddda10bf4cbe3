"""What the oracle hands out: a requirement that was not met, when, and what was seen."""

from math import ceil, floor

from attrs import frozen

from conformance.oracle.exact import Exact

Plain = dict[str, object]
Exchange = tuple[Plain, Plain]  # a request of the driver protocol, and the answer to it


@frozen
class Breach:
    """`at_ms`: the driver's time since the first step. `text`: what was seen, in plain words.

    `path`, `operator`, `bound`: what the answer should have been, as a vector's "expect" says it;
    an empty path where that cannot be said of one answer.
    """

    requirement: str
    at_ms: int
    text: str
    path: str = ""
    operator: str = ""
    bound: object = None

    def expect(self) -> Plain:
        """Return the "expect" object of a vector that pins this breach."""
        return {self.path: {self.operator: self.bound}} if self.path else {}


def above(requirement: str, at_ms: int, field: str, got: int, bound: Exact, why: str) -> Breach:
    """A number of the view is greater than it may be."""
    most = floor(bound)
    text = f"{field} is {got}, and may be at most {most}: {why}"
    return Breach(requirement, at_ms, text, "view." + field, "le", most)


def below(requirement: str, at_ms: int, field: str, got: int, bound: Exact, why: str) -> Breach:
    """A number of the view is less than it may be."""
    least = ceil(bound)
    text = f"{field} is {got}, and must be at least {least}: {why}"
    return Breach(requirement, at_ms, text, "view." + field, "ge", least)


def differs(requirement: str, at_ms: int, field: str, got: object, want: object) -> Breach:
    """A value of the view is not what it must be."""
    text = f"{field} is {got}, and must be {want}"
    return Breach(requirement, at_ms, text, "view." + field, "eq", want)
