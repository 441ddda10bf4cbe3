"""Let anything happen to a bridge, and see whether it ever does what it must not.

    result = fuzz(open_target("stdio:./my-bridge").ask, mode="protocol", examples=200)
    print(result.failure.story) if result.failure else print("nothing found")

Stories are made up by hypothesis and judged by the oracle; a failing one is shrunk until nothing
can be left out, told in plain words, and kept as a vector that `judge` replays.
"""

import json
from hashlib import sha256
from pathlib import Path
from time import monotonic

from attrs import define, field
from hypothesis import HealthCheck, Phase, Verbosity, seed, settings
from hypothesis.stateful import run_state_machine_as_test

from conformance.fuzzing import physical, protocol
from conformance.fuzzing.story import tell, vector_file
from conformance.fuzzing.talk import Ask, BreachedError, Exchanges, Talk
from conformance.oracle import Breach, Plain

MODES = {"protocol": protocol.machine_for, "physical": physical.machine_for}
STORY_LENGTH = 20  # things that happen in one story, at most


@define
class Failure:
    """A breach, the shortest story that leads to it, and the vector that replays it."""

    breach: Breach
    story: str
    vector: Plain

    def write(self, folder: Path) -> Path:
        """Write the vector into a folder; return its path, which follows from its contents."""
        text = json.dumps(self.vector, indent=1) + "\n"
        path = folder / f"found-{sha256(text.encode()).hexdigest()[:12]}.json"
        folder.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path


@define
class Result:
    """What a campaign did. `operations`: requests sent, shrinking included."""

    mode: str
    seed: int
    stories: int = 0
    operations: int = 0
    seconds: float = 0.0
    failure: Failure | None = None
    requirements: set[str] = field(factory=set)  # every breach met on the way


def fuzz(
    ask: Ask,
    mode: str = "protocol",
    examples: int = 100,
    number: int = 0,
    shrink: bool = True,
    exchange: Exchanges | None = None,
) -> Result:
    """Make up `examples` stories from the seed `number`; stop at the first breach.

    `ask` sends one request and returns the answer; it may raise anything where there is none.
    `exchange` does so with a line of bytes; None: no broken lines are tried. Each story begins with
    a reset. Raises KeyError for an unknown mode.
    """
    result = Result(mode, number)

    def done(talk: Talk) -> None:
        result.stories += 1
        result.operations += talk.asked

    phases = [Phase.generate, Phase.shrink] if shrink else [Phase.generate]
    machine = seed(number)(MODES[mode](ask, done, exchange))
    began = monotonic()
    try:
        run_state_machine_as_test(
            machine,
            settings=settings(
                max_examples=examples,
                stateful_step_count=STORY_LENGTH,
                database=None,
                deadline=None,
                phases=phases,
                print_blob=False,
                report_multiple_bugs=False,
                suppress_health_check=list(HealthCheck),
                verbosity=Verbosity.quiet,
            ),
        )
    except BreachedError as error:
        story = tell(error.history, error.breach)
        result.failure = Failure(error.breach, story, vector_file(error.history, error.breach))
    result.seconds = monotonic() - began
    return result
