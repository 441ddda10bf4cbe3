"""Runs ordinary Python on integers that nobody has chosen yet, down every path there is.

A `Sym` stands for an integer by a formula. Whatever the program asks of its truth value forks the
path: one side is followed, the other kept for later, when the program is run again from its
beginning and answered the other way. A side that no integers lead to is not followed. The program
is executed unmodified; Python's own `min`, `sum`, `list.index` and the like work, because they only
compare, add and ask. What is proved at the end of each path is thus proved for all integers within
the stated ranges.

Source: symbolic execution, J. C. King, "Symbolic Execution and Program Testing", CACM 19(7), 1976.
"""

import operator
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, TypeVar

import z3

Formula = Any  # z3 ships no types
T = TypeVar("T")

# For one question. What one start of the solver's search does not find in an hour, another finds at
# once; so each is given little, and the last one long. An answer holds whichever start gave it.
TIMEOUTS_MS = (3_000, 3_000, 3_000, 10_000, 60_000)


class DeadPathError(Exception):
    """No integers lead here."""


class RefutedError(Exception):
    """A claim is false. Its text is the counterexample."""


class UnknownError(Exception):
    """The solver could not tell."""


class Truth:
    """A yes or no that nobody has chosen yet; `if` forks on it."""

    __slots__ = ("formula", "paths")

    def __init__(self, paths: "Paths", formula: Formula) -> None:
        self.paths = paths
        self.formula = formula

    def __bool__(self) -> bool:
        return self.paths.fork(self.formula)


def _number(operation: Callable[[Any, Any], Any]) -> Any:
    """Return the method that makes a new `Sym` by this operation on formulas."""
    return lambda self, other: Sym(self.paths, operation(self.formula, raw(other)))


def _question(operation: Callable[[Any, Any], Any]) -> Any:
    """Return the method that makes a `Truth`, likewise."""
    return lambda self, other: Truth(self.paths, operation(self.formula, raw(other)))


class Sym:
    """An integer that nobody has chosen yet. It has the core's operators and no others."""

    __slots__ = ("formula", "paths")
    __hash__ = None  # type: ignore[assignment]  # equality is not known

    def __init__(self, paths: "Paths", formula: Formula) -> None:
        self.paths = paths
        self.formula = formula

    __add__ = __radd__ = _number(operator.add)
    __sub__ = _number(operator.sub)
    __rsub__ = _number(lambda mine, other: other - mine)
    __lt__, __le__ = _question(operator.lt), _question(operator.le)
    __gt__, __ge__ = _question(operator.gt), _question(operator.ge)
    __eq__, __ne__ = _question(operator.eq), _question(operator.ne)

    def __neg__(self) -> "Sym":
        return Sym(self.paths, -self.formula)

    def __mul__(self, other: Any) -> "Sym":
        return self.paths.whole(self.formula * raw(other), isinstance(other, Sym))

    __rmul__ = __mul__

    # The solver's division of integers rounds down, as Python's, where the divisor is positive.
    def __floordiv__(self, other: Any) -> "Sym":
        quotient = self.formula / self.paths.positive(other)
        return self.paths.whole(quotient, isinstance(other, Sym))

    def __rfloordiv__(self, other: Any) -> "Sym":
        return self.paths.whole(z3.IntVal(other) / self.paths.positive(self), True)

    def __mod__(self, other: Any) -> "Sym":
        return Sym(self.paths, self.formula % self.paths.positive(other))

    def __bool__(self) -> bool:
        return self.paths.fork(self.formula != 0)


def raw(value: Any) -> Formula:
    """Return the formula of a `Sym` or `Truth`, or of a plain value."""
    if isinstance(value, bool):
        return z3.BoolVal(value)
    return value.formula if isinstance(value, (Sym, Truth)) else value


class Paths:
    """All paths of one program: the solver, and the answers given so far on the present path."""

    def __init__(self) -> None:
        self.solver = z3.Solver()
        self.solver.set("timeout", TIMEOUTS_MS[0])
        self.trail: list[Formula | None] = []  # what may still be tried instead of each answer
        self.taken: list[bool] = []
        self.place = 0
        self.model: Any = None
        self.names: dict[str, Any] = {}  # integers and choices, for a counterexample
        self.opaque = False  # may products and quotients of two unchosen integers be anything?
        self.ends = 0  # paths that some integers lead down to a claim

    def run(self, program: Callable[["Paths"], None]) -> int:
        """Run `program` down every path; return their number.

        Raises RefutedError or UnknownError at the first claim that does not hold, and RefutedError if
        no path reaches a claim: then the assumptions contradict each other.
        """
        while True:
            self.place = 0
            self.names = {}
            self.opaque = False
            if not self.taken:
                self._find_model()
            with suppress(DeadPathError):
                program(self)
            if not self._turn():
                break
        if not self.ends:
            raise RefutedError("nothing satisfies the assumptions")
        return self.ends

    def _turn(self) -> bool:
        """Go back to the last fork with a side left, and take that side. No such: False."""
        while self.trail:
            self.solver.pop()
            other = self.trail.pop()
            taken = self.taken.pop()
            if other is not None:
                self._push(other, not taken, None)
                self._find_model()
                return True
        return False

    def _push(self, formula: Formula, taken: bool, other: Formula | None) -> None:
        self.solver.push()
        self.solver.add(formula)
        self.trail.append(other)
        self.taken.append(taken)

    def _example(self, *more: Formula) -> Any:
        """Return integers that satisfy the path so far and `more`; None: there are none.

        Raises UnknownError if no search found out.
        """
        solver = self.solver
        for seed, timeout_ms in enumerate(TIMEOUTS_MS):
            if seed:
                solver = z3.Solver()
                solver.set("timeout", timeout_ms)
                solver.set("random_seed", seed)
                solver.add(self.solver.assertions())
            found = solver.check(*more)
            if found != z3.unknown:
                return solver.model() if found == z3.sat else None
        raise UnknownError(solver.reason_unknown())

    def _find_model(self) -> bool:
        """Is there a model of the path so far? Keep it."""
        model = self._example()
        if model is not None:
            self.model = model
        return model is not None

    def fork(self, formula: Formula) -> bool:
        """Return the truth of `formula` on this path; where both are possible, note the other."""
        if self.place < len(self.taken):
            self.place += 1
            return self.taken[self.place - 1]
        self.place += 1
        here = bool(z3.is_true(self.model.eval(formula, model_completion=True)))
        ours, other = (formula, z3.Not(formula)) if here else (z3.Not(formula), formula)
        possible = self._example(other) is not None
        self._push(ours, here, other if possible else None)
        return here

    def assume(self, *truths: Any) -> None:
        """Leave out everything that does not satisfy all of these."""
        formula = z3.And(*[raw(truth) for truth in truths])
        if self.place < len(self.taken):
            self.place += 1
            return
        self.place += 1
        self._push(formula, True, None)
        if z3.is_true(self.model.eval(formula, model_completion=True)):
            return
        if not self._find_model():
            raise DeadPathError

    def proposition(self, name: str) -> Truth:
        """Return any proposition."""
        self.names[name] = z3.Bool(name)
        return Truth(self, self.names[name])

    def whole(self, formula: Formula, hard: bool) -> Sym:
        """Return a product or quotient; of two unchosen integers (`hard`), any, if `opaque`."""
        if self.opaque and hard:
            return Sym(self, z3.Int(formula.sexpr()))  # the same factors, the same integer
        return Sym(self, formula)

    def integer(self, name: str, low: int, high: int) -> Any:
        """Return any integer of `low`..`high`. `name` is what a counterexample calls it."""
        sym = Sym(self, z3.Int(name))
        assert name not in self.names, name  # or two integers would be one
        self.names[name] = sym.formula
        self.assume(sym >= low, sym <= high)
        return sym

    def choose(self, name: str, options: Sequence[T]) -> T:
        """Return any of the options, each on paths of its own."""
        for option in options[:-1]:
            if self.place == len(self.taken):
                self._push(z3.BoolVal(True), True, z3.BoolVal(True))
            self.place += 1
            if self.taken[self.place - 1]:
                self.names[name] = option
                return option
        self.names[name] = options[-1]
        return options[-1]

    def positive(self, divisor: Any) -> Formula:
        """Return the formula of a divisor, having made sure that it is positive."""
        if not divisor > 0:
            raise ZeroDivisionError("a divisor may be 0 or negative")
        return raw(divisor)

    def claim(self, *truths: Any) -> None:
        """Prove that all of these hold here. Raises RefutedError or UnknownError."""
        self.ends += 1
        wrong = self._example(z3.Not(z3.And(*[raw(truth) for truth in truths])))
        if wrong is not None:
            raise RefutedError(self._show(wrong))

    def lemma(self, truth: Any) -> None:
        """Prove this, then go on with it: a step that helps the solver."""
        self.claim(truth)
        self.assume(truth)

    def _show(self, model: Any) -> str:
        values = self.names.items()
        return ", ".join(f"{name} = {_value(model, value)}" for name, value in values)


def _value(model: Any, value: Any) -> Any:
    return model.eval(value, model_completion=True) if z3.is_expr(value) else value


def either(*truths: Any) -> Formula:
    """At least one of these, without a fork."""
    return z3.Or(*[raw(truth) for truth in truths])


def implies(condition: Any, truth: Any) -> Formula:
    """If `condition`, then `truth`, without a fork."""
    return z3.Implies(raw(condition), raw(truth))


def negation(truth: Any) -> Formula:
    """Not this, without a fork."""
    return z3.Not(raw(truth))


def both(*truths: Any) -> Formula:
    """All of these, without a fork."""
    return z3.And(*[raw(truth) for truth in truths])
