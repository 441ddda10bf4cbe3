"""What a theorem is: a name, a statement, what it assumes, and a program to run down every path."""

from collections.abc import Callable

from conformance.proof.symbolic import Paths, RefutedError, UnknownError

Program = Callable[[Paths, int | None], None]
PROVED, REFUTED, UNKNOWN = "proved", "refuted", "unknown"


class Theorem:
    """`program(paths, packs)` builds its facts and claims what follows; `packs` None: any number.

    The first paragraph of its docstring is the statement, the second what it assumes.
    """

    def __init__(self, program: Program, counts_packs: bool, any_number: bool) -> None:
        self.program = program
        self.name = program.__name__.replace("_", "-")
        paragraphs = (program.__doc__ or "").split("\n\n")
        self.statement, self.assumes = (" ".join(text.split()) for text in paragraphs[:2])
        self.counts_packs = counts_packs
        self.any_number = any_number

    def prove(self, packs: int | None) -> tuple[str, str]:
        """Return PROVED, REFUTED or UNKNOWN, and the paths, the counterexample or the reason."""
        try:
            return PROVED, f"{Paths().run(lambda paths: self.program(paths, packs))} paths"
        except RefutedError as error:
            return REFUTED, str(error)
        except UnknownError as error:
            return UNKNOWN, str(error)
        except Exception as error:  # the core promises to raise nothing
            return REFUTED, f"raises {error!r}"


THEOREMS: list[Theorem] = []


def theorem(program: Program) -> Program:
    """Add a theorem about banks of packs: one by one, and of any number."""
    THEOREMS.append(Theorem(program, True, True))
    return program


def one_by_one(program: Program) -> Program:
    """Add a theorem about banks of 1, 2, ... packs that no three rows can stand for."""
    THEOREMS.append(Theorem(program, True, False))
    return program


def lemma(program: Callable[[Paths], None]) -> Callable[[Paths], None]:
    """Add a theorem about one pack, or about a table, whatever the number of packs."""

    def ignoring(paths: Paths, _: int | None) -> None:
        program(paths)

    ignoring.__name__, ignoring.__doc__ = program.__name__, program.__doc__
    THEOREMS.append(Theorem(ignoring, False, True))
    return program
