"""Let anything happen to a bridge, and see whether it ever does what it must not.

    result = fuzz(open_target("stdio:./my-bridge").ask, mode="protocol", examples=200)
    print(result.failure.story) if result.failure else print("nothing found")

Stories are made up by hypothesis and judged by the oracle; a failing one is shrunk until nothing
can be left out, told in plain words, and kept as a vector that `judge` replays.
"""

import json
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from time import monotonic

from attrs import define, field, frozen
from hypothesis import HealthCheck, Phase, Verbosity, seed, settings
from hypothesis.errors import Flaky
from hypothesis.stateful import run_state_machine_as_test

from conformance.fuzzing.acts import Act, Acting
from conformance.fuzzing.physical import PhysicalMachine
from conformance.fuzzing.protocol import ProtocolMachine
from conformance.fuzzing.story import tell, vector_file
from conformance.fuzzing.talk import Ask, BreachedError, shape
from conformance.fuzzing.wire import Wire, WireMachine
from conformance.oracle import Breach, Plain

MODES = {"protocol": ProtocolMachine, "physical": PhysicalMachine, "wire": WireMachine}
NOT_AGAIN = "  Told the same story again, it did something else."
STORY_LENGTH = 20  # things that happen in one story, at most


@frozen
class Failure:
    """A breach, the shortest story that leads to it, and the vector that replays it.

    `shape`: what failures that are alike have in common.
    """

    breach: Breach
    story: str
    vector: Plain
    shape: str

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
    *,
    wire: Wire | None = None,
    only: str = "",
    ends: Callable[[list[Act]], None] = lambda acts: None,
) -> Result:
    """Make up `examples` stories from the seed `number`; stop at the first breach.

    `ask` sends one request and returns the answer; it may raise anything where there is none. Each
    story begins with a reset. `wire`: the same target for bytes, which mode "wire" needs. `only`:
    stop at failures of this shape only. `ends` is called at the end of every story. Raises KeyError
    for an unknown mode.
    """
    result = Result(mode, number)
    errors: list[BreachedError] = []

    def done(story: Acting) -> None:
        result.stories += 1
        result.operations += story.talk.asked
        errors.extend([story.talk.error] if story.talk.error else [])
        ends(story.acts)

    fields = {"ask": staticmethod(ask), "done": staticmethod(done), "wire": wire, "only": only}
    machine = seed(number)(type("Story", (MODES[mode],), fields))
    began = monotonic()
    try:
        run_state_machine_as_test(machine, settings=_effort(examples, shrink))
    except BreachedError as error:
        result.failure = _failure(error)
    except Flaky:  # the target, which is none of hypothesis's business
        result.failure = _failure(errors[-1], NOT_AGAIN) if errors else None
    result.seconds = monotonic() - began
    return result


def _effort(examples: int, shrink: bool) -> settings:
    return settings(
        max_examples=examples,
        stateful_step_count=STORY_LENGTH,
        database=None,
        deadline=None,
        phases=[Phase.generate, Phase.shrink] if shrink else [Phase.generate],
        print_blob=False,
        report_multiple_bugs=False,
        suppress_health_check=list(HealthCheck),
        verbosity=Verbosity.quiet,
    )


def _failure(error: BreachedError, note: str = "") -> Failure:
    breach, history = error.breach, error.history
    story = "\n".join(filter(None, [tell(history, breach), note]))
    return Failure(breach, story, vector_file(history, breach), shape(breach, history))
