"""`python -m tests.fuzz [--inputs N] [--changes N] [--seed S]`: throw bytes at every decoder, and
files at everything that reads an owner's."""

import argparse
import sys
import tempfile
import time
from pathlib import Path
from random import Random

from adapters.jsonlines.opposite import report_line
from tests.fuzz.board import DECODERS, right_frames
from tests.fuzz.decoder import Decoder, throw
from tests.fuzz.files import KINDS, complete, hostile, read_all
from tests.fuzz.host import host_decoders
from tests.fuzz.listeners import listeners
from tests.gateway import reading

MILLION = 1_000_000
RIGHT = {
    # A line after the end of whatever came before.
    "json lines": [
        b"\n" + report_line(reading("oak", 1, warnings=["other"], cells_mv=[3_300, 3_310]))
    ],
    "rv-c pack": right_frames(),
    "rv-c charger": right_frames(),
}


def every_decoder(folder: Path) -> list[Decoder]:
    """Return all of them: those for boards, those for hosts, and those of who listens to a bank."""
    board = [Decoder(name, make, items, RIGHT.get(name, [])) for name, make, items in DECODERS]
    return board + host_decoders(folder) + listeners(folder)


def failed_files(folder: Path, changes: int, seed: int) -> int:
    """Throw files at each kind's reader; return how many of the kinds failed."""
    complete(folder)
    failed = 0
    for kind in KINDS:
        right = (folder / kind.file).read_bytes()
        random = Random(f"{kind.file} {seed}")
        started_s = time.monotonic()
        try:
            count = read_all(folder, kind, hostile(right, random, changes))
        except AssertionError as error:
            failed += 1
            print(f"FAILED: {error}", flush=True)
            continue
        print(f"{kind.file}: {count} files, {time.monotonic() - started_s:.0f} s", flush=True)
    return failed


def main() -> int:
    """Throw, and print a line for each decoder."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--inputs", type=int, default=MILLION, help="for all decoders together")
    parser.add_argument(
        "--changes",
        type=int,
        default=300,
        help="of each file: strange values, and as many at random",
    )
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        decoders = every_decoder(Path(folder))
        share = -(-chosen.inputs // len(decoders))
        failed = 0
        for decoder in decoders:
            started_s = time.monotonic()
            try:
                came = throw(decoder, share, chosen.seed)
            except AssertionError as error:
                failed += 1
                print(f"{decoder.name}: FAILED: {error}", flush=True)
                continue
            took_s = time.monotonic() - started_s
            print(f"{decoder.name}: {share} inputs, {came} records, {took_s:.0f} s", flush=True)
        failed += failed_files(Path(folder), chosen.changes, chosen.seed)
    print(f"{len(decoders) + len(KINDS) - failed} passed, {failed} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
