"""The acts of a story: what happened in it, so that it can be told again to another bridge."""

from collections.abc import Callable
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar

from hypothesis.stateful import RuleBasedStateMachine

from conformance.fuzzing.talk import Ask, Talk

Chosen = ParamSpec("Chosen")
Act = tuple[str, dict[str, Any]]  # the rule, and what was chosen for it


class Acting(RuleBasedStateMachine):
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
        """The end of the story."""
        self.acting = True
        try:
            self.ends()
        finally:
            type(self).done(self)


Machine = TypeVar("Machine", bound=Acting)


def noted(
    act: Callable[Concatenate[Machine, Chosen], None],
) -> Callable[Concatenate[Machine, Chosen], None]:
    """Note a rule when it happens, but not where another one makes use of it."""

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
