"""Stories that were made up once, to tell each of many bridges the very same ones.

    result, stories = make_up(clean, "protocol", 40, number=0)
    for story in stories:
        error = retell(story, other)        # the first breach, or None

Making a story up and judging it is ten times the work of answering it. Both follow from the answers
alone: where a bridge answers every request as the first bridge did, which was judged, nothing is
left to be judged. Where one answer differs, the story is told anew, act by act, and judged in full.
"""

import marshal
import zlib
from hashlib import blake2b
from typing import Any

from attrs import frozen

from conformance.fuzz import MODES, Result, fuzz
from conformance.fuzzing.acts import Act, Acting
from conformance.fuzzing.talk import BreachedError
from conformance.oracle import Plain
from conformance.targets import Target

Said = list[tuple[str, Any]]  # how it was sent, and the request or the line


@frozen
class Told:
    """One story: its acts, what was said in it (packed), and a digest of each answer."""

    mode: str
    acts: list[Act]
    said: bytes
    answers: list[bytes]


def make_up(target: Target, mode: str, stories: int, number: int) -> tuple[Result, list[Told]]:
    """Fuzz a target, unshrunk, as `fuzz` does; return also the stories that it was told."""
    listener = _Listener(target)
    told: list[Told] = []

    def ends(acts: list[Act]) -> None:
        said = zlib.compress(marshal.dumps(listener.said), 1)
        told.append(Told(mode, acts, said, listener.answers))
        listener.forget()

    result = fuzz(listener.ask, mode, stories, number, shrink=False, wire=listener, ends=ends)
    return result, told


def retell(told: Told, target: Target) -> BreachedError | None:
    """Tell a target a story; return the breach it ends with, if any."""
    target.reopen()
    if _answers_alike(told, target):
        return None
    target.reopen()
    ends: dict[str, Any] = {"done": lambda story: None, "ask": staticmethod(target.ask)}
    story: Acting = type("Story", (MODES[told.mode],), {**ends, "wire": target})()
    try:
        try:
            for name, chosen in told.acts:
                getattr(story, name)(**chosen)
        finally:
            story.teardown()
    except BreachedError as error:
        return error
    return None


def _answers_alike(told: Told, target: Target) -> bool:
    listener = _Listener(target)
    said: Said = marshal.loads(zlib.decompress(told.said))
    try:
        for (how, words), first in zip(said, told.answers, strict=True):
            getattr(listener, how)(words)
            if listener.answers[-1] != first:
                return False
    except Exception:  # whatever it is, the first bridge had an answer
        return False
    return True


class _Listener:
    """Hears what a target is asked, and what it answers."""

    def __init__(self, target: Target) -> None:
        self._target = target
        self.forget()

    def forget(self) -> None:
        """A new story begins."""
        self.said: Said = []
        self.answers: list[bytes] = []

    def ask(self, request: Plain) -> Plain:
        """Pass a request on."""
        answer: Plain = self._noted("ask", request)
        return answer

    def exchange(self, line: bytes) -> Plain:
        """Pass a line on."""
        answer: Plain = self._noted("exchange", line)
        return answer

    def tell(self, line: bytes) -> None:
        """Pass a line on that wants no answer."""
        self._noted("tell", line)

    def _noted(self, how: str, words: Plain | bytes) -> Any:
        self.said.append((how, words))
        answer = getattr(self._target, how)(words)
        # Version 2 has no references, so that equal answers are equal bytes; and True is not 1.
        self.answers.append(blake2b(marshal.dumps(answer, 2), digest_size=8).digest())
        return answer
