"""The acts of a story: what happened in it, so that it can be told again to another bridge."""

import sys
from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar

from hypothesis import stateful

from conformance.fuzzing.talk import Ask, Talk

Chosen = ParamSpec("Chosen")
Act = tuple[str, dict[str, Any]]  # the rule, and what was chosen for it


class Acting(stateful.RuleBasedStateMachine):
    """A story that happens, and notes its acts. `ask` and `done` are set by whoever fuzzes."""

    ask: Ask
    done: Callable[["Acting"], None]
    only = ""
    talk: Talk

    def __init__(self) -> None:
        super().__init__()
        self.acts: list[Act] = []
        self.acting = False

    def ends(self) -> None:
        """End the story; what is told here follows from the acts, and is none."""

    def teardown(self) -> None:
        """The end of the story; one that hypothesis gave up in the middle has none."""
        self.acting = True
        try:
            if sys.exc_info()[0] is None:
                self.ends()
        finally:
            type(self).done(self)


Machine = TypeVar("Machine", bound=Acting)
Rule = Callable[Concatenate[Machine, Chosen], None]


def rule(**chosen: Any) -> Callable[[Rule[Machine, Chosen]], Rule[Machine, Chosen]]:
    """As hypothesis has it, of strategies, for an act that is noted."""
    return _noting(stateful.rule, chosen)


def initialize(**chosen: Any) -> Callable[[Rule[Machine, Chosen]], Rule[Machine, Chosen]]:
    """As hypothesis has it, of strategies, for an act that is noted."""
    return _noting(stateful.initialize, chosen)


def _noting(
    made: Callable[..., Any], chosen: dict[str, Any]
) -> Callable[[Rule[Machine, Chosen]], Rule[Machine, Chosen]]:
    return lambda act: made(**chosen)(_noted(act))


def _noted(act: Rule[Machine, Chosen]) -> Rule[Machine, Chosen]:
    """Note an act when it happens, but not where another one makes use of it."""

    @wraps(act)
    def happens(machine: Machine, /, *some: Chosen.args, **chosen: Chosen.kwargs) -> None:
        if machine.acting:
            act(machine, *some, **chosen)
            return
        machine.acts.append((act.__name__, chosen))
        machine.acting = True
        try:
            act(machine, *some, **chosen)
        finally:
            machine.acting = False

    return happens
