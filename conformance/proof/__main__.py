"""Prove every theorem: `python -m conformance.proof [--packs N] [--only NAME]`.

One line a theorem and number of packs; exit code 0 if all are proved, else 1.
"""

import argparse
import time

from conformance.proof import THEOREMS
from conformance.proof.theorem import PROVED, Theorem

MOST_PACKS = 6


def runs(theorem: Theorem, most: int) -> list[int | None]:
    """Return the numbers of packs to prove a theorem for; None stands for any."""
    numbers = range(1, most + 1) if theorem.counts_packs else ()
    return [*numbers, None] if theorem.any_number else [*numbers]


def main(arguments: list[str] | None = None) -> int:
    """Prove, print, and return the exit code."""
    parser = argparse.ArgumentParser(prog="python -m conformance.proof", description=__doc__)
    parser.add_argument(
        "--packs",
        type=int,
        default=4,
        choices=range(MOST_PACKS + 1),
        help="one by one up to so many packs, besides any number at once (default 4)",
    )
    parser.add_argument("--only", action="append", choices=[one.name for one in THEOREMS])
    options = parser.parse_args(arguments)
    proved = True
    for theorem in THEOREMS:
        if options.only and theorem.name not in options.only:
            continue
        for packs in runs(theorem, options.packs):
            begun = time.monotonic()
            verdict, detail = theorem.prove(packs)
            proved = proved and verdict == PROVED
            number = "" if not theorem.counts_packs else f", {packs or 'any number of'} packs"
            seconds = time.monotonic() - begun
            print(f"{verdict}: {theorem.name}{number}: {detail} ({seconds:.1f} s)", flush=True)
        print(f"    {theorem.statement}", flush=True)
    return 0 if proved else 1


if __name__ == "__main__":
    raise SystemExit(main())
