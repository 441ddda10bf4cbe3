"""What found which bug, as a page and as complaints: docs/reference/kill-matrix.md.

The harm beside a bug is that of the vector which is most its own: the one that finds the fewest
other bugs.
"""

from collections import Counter
from collections.abc import Iterator, Sequence

from attrs import frozen

from conformance.bridge.catalogue import MUTANTS
from conformance.vectors import Case

NOT_ASKED = "not asked"
MOST_NAMED = 3  # vectors in a row of the page


@frozen
class Found:
    """How fuzzing found a bug: the mode, after how many of its stories, and what was breached."""

    mode: str
    stories: int
    requirement: str

    def __str__(self) -> str:
        return f"{self.mode}, {self.stories}: {self.requirement}"


@frozen
class Kill:
    """Who found a bug: ids of vectors, and fuzzing (None: it did not, or was not `asked`)."""

    id: str
    vectors: tuple[str, ...]
    fuzz: Found | None
    asked: bool = True


def shortcomings(clean: Kill, kills: Sequence[Kill], cases: Sequence[Case]) -> list[str]:
    """Return what is wrong with the kit, a line each."""
    used = {name for kill in kills for name in kill.vectors}
    return [
        *(f"the clean bridge fails {name}" for name in clean.vectors),
        *(f"fuzzing breaks the clean bridge: {found}" for found in [clean.fuzz] if found),
        *(f"{kill.id} survives all vectors" for kill in kills if not kill.vectors),
        *(f"{kill.id} survives fuzzing" for kill in kills if kill.asked and not kill.fuzz),
        *(
            f'{case.id} finds no bug: sow one, or mark it "example": true'
            for case in cases
            if case.id not in used and not case.example
        ),
        *(
            f"{case.id} is marked as an example, and finds bugs"
            for case in cases
            if case.id in used and case.example
        ),
    ]


def page(kills: Sequence[Kill], cases: Sequence[Case]) -> str:
    """Return the kill matrix as a page."""
    examples = [case for case in cases if case.example]
    lines = [
        "# Kill matrix",
        "",
        "Printed by `python -m conformance.mutants`; do not edit.",
        "",
        f"{len(kills)} bugs were sown, one at a time, into the kit's own small bridge"
        " (`conformance/bridge/`), and"
        f" {len(cases)} vectors and the fuzzer were let loose on each. {_verdict(kills)}",
        "",
        "*Harm*: what the vector says that is most this bug's own. *Vectors*: those that find the"
        " fewest other bugs, and how many more there are. *Fuzzing*: the mode, after how many made-up"
        " stories, and the requirement that was breached; the numbers move with the version of"
        " hypothesis.",
        "",
        "| bug | what it does | harm | vectors | fuzzing |",
        "| --- | --- | --- | --- | --- |",
        *_rows(kills, cases),
        "",
        f"## Examples: {len(examples)} vectors that find none of these bugs",
        "",
        "They show how something looks, or pin what no bug above touches, and are marked"
        ' `"example": true`.',
        "",
        *(f"- {case.id} {case.title}" for case in examples),
        "",
    ]
    return "\n".join(lines)


def _verdict(kills: Sequence[Kill]) -> str:
    survivors = [kill.id for kill in kills if not kill.vectors or (kill.asked and not kill.fuzz)]
    if survivors:
        return f"**Not found: {', '.join(survivors)}.**"
    if not any(kill.asked for kill in kills):
        return "Every bug is found by vectors; **fuzzing was not asked in this run**."
    return "Every bug is found by vectors, and every bug is found by fuzzing."


def _rows(kills: Sequence[Kill], cases: Sequence[Case]) -> Iterator[str]:
    texts = {mutant.id: mutant.text for mutant in MUTANTS}
    harms = {case.id: case.harm for case in cases}
    finds = Counter(name for kill in kills for name in kill.vectors)
    for kill in kills:
        own = sorted(kill.vectors, key=lambda name: (finds[name], name))
        more = len(own) - MOST_NAMED
        named = ", ".join(own[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
        harm = harms[own[0]] if own else ""
        fuzz = kill.fuzz or ("**none**" if kill.asked else NOT_ASKED)
        yield f"| {kill.id} | {texts[kill.id]} | {harm} | {named or '**none**'} | {fuzz} |"


def without_fuzz(text: str) -> list[str]:
    """Return a page's lines without what fuzzing found, which another hypothesis finds elsewhere."""
    return [
        line.rsplit("|", 2)[0] if line.startswith("| M") else line for line in text.splitlines()
    ]
