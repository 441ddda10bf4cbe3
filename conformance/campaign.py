"""A campaign: many stories, cut into chunks, told by many workers, and what they found.

    campaign = Campaign("stdio:./my-bridge", "protocol", cases=10_000, seed=0)
    crew = LocalCrew(2)
    campaign.run(crew)
    campaign.shorten(crew)
    for failure in campaign.failures: print(failure.story)

A chunk's stories follow from its seed alone, and each chunk meets a fresh target: so the stories,
and what is found, are the same however many workers there are, and whoever does which chunk. Of
failures of one shape the first is kept, and only that one is shrunk.
"""

import os
import signal
from collections.abc import Callable, Iterator
from typing import NoReturn

from attrs import asdict, define, evolve, field, frozen

from conformance.crew import Crew, LostError, Plain
from conformance.fuzz import Failure, fuzz
from conformance.oracle import Breach
from conformance.targets import ANSWER_S, Target, TargetError, open_target

__all__ = ["STORIES", "Campaign", "Chunk", "LostError", "do"]

STORIES = 25  # in a chunk
SEEDS = 1_000_003  # chunks that one seed may have


@frozen
class Chunk:
    """So many stories from one seed. `only`: shrink the failure of this shape; empty: find any."""

    target: str
    mode: str
    seed: int
    stories: int
    answer_s: float = ANSWER_S
    only: str = ""


def do(task: Plain) -> Plain:
    """Tell a chunk's stories to a fresh target; the outcome is what `Campaign` makes of it."""
    chunk = Chunk(**task)
    target = open_target(chunk.target, chunk.answer_s)

    def ask(request: Plain) -> Plain:
        try:
            return target.ask(request)
        except TargetError:
            target.close()  # the next story starts with a new one
            raise

    _end_with(target)
    try:
        result = fuzz(
            ask,
            chunk.mode,
            chunk.stories,
            chunk.seed,
            shrink=bool(chunk.only),
            wire=target,
            only=chunk.only,
        )
    finally:
        target.close()
    return {
        "stories": result.stories,
        "operations": result.operations,
        "failure": asdict(result.failure) if result.failure else None,
    }


def _end_with(target: Target) -> None:
    """Whoever ends this worker ends its bridge, too; nothing else may be waited for."""

    def end(number: int, frame: object) -> NoReturn:
        target.close()
        os._exit(128 + number)

    signal.signal(signal.SIGTERM, end)


@define
class Campaign:
    """What is to be done, and what is known so far: it may be interrupted at any time."""

    target: str
    mode: str
    cases: int = 100
    seed: int = 0
    answer_s: float = ANSWER_S
    done: int = 0  # of the cases
    stories: int = 0  # told, the search for shorter ones left out
    operations: int = 0
    found: dict[str, tuple[int, Failure]] = field(factory=dict)  # shape -> chunk, failure

    @property
    def failures(self) -> list[Failure]:
        """One failure of each shape, in the order of the chunks they were found in."""
        return [failure for _, failure in sorted(self.found.values(), key=lambda one: one[0])]

    def chunks(self) -> Iterator[Chunk]:
        """Yield the chunks."""
        for number, first in enumerate(range(0, self.cases, STORIES)):
            stories = min(STORIES, self.cases - first)
            seed = self.seed * SEEDS + number
            yield Chunk(self.target, self.mode, seed, stories, self.answer_s)

    def run(self, crew: Crew, advance: Callable[[int], object] = lambda _: None) -> None:
        """Tell all stories. `advance`: told how many cases more are done. Raises LostError."""
        chunks = list(self.chunks())
        for number, outcome in crew.each([asdict(chunk) for chunk in chunks]):
            self.done += chunks[number].stories
            self.stories += outcome["stories"]
            self.operations += outcome["operations"]
            failure = _failure(outcome)
            if failure is not None and self._is_first(number, failure.shape):
                self.found[failure.shape] = number, failure
            advance(chunks[number].stories)

    def shorten(self, crew: Crew) -> None:
        """Exchange each failure for the shortest story of its shape. Raises LostError."""
        chunks, shapes = list(self.chunks()), list(self.found)
        again = [asdict(evolve(chunks[self.found[shape][0]], only=shape)) for shape in shapes]
        for at, outcome in crew.each(again):
            shorter = _failure(outcome)
            if shorter is not None:
                self.found[shapes[at]] = self.found[shapes[at]][0], shorter

    def _is_first(self, number: int, shape: str) -> bool:
        return shape not in self.found or number < self.found[shape][0]


def _failure(outcome: Plain) -> Failure | None:
    plain = outcome["failure"]
    return Failure(**{**plain, "breach": Breach(**plain["breach"])}) if plain else None
