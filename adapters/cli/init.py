"""`packyoke init`: a first SITE.toml by asking what it must, and the maps it names, to be filled in."""

import argparse
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from adapters.gateway.first_maps import STARTERS, starter
from adapters.gateway.first_site import (
    HEARD_MAPS,
    HEARS,
    SAYS,
    Answers,
    PackAnswer,
    map_texts,
    site_text,
)
from adapters.toml_file import BadFileError
from aggregator.report import MOST_CELLS, bad_id
from aggregator.settings import MOST_PACKS

Answer = TypeVar("Answer")
LARGEST_AH, LARGEST_A = 2_000, 10_000
LIMITS = {
    "battery": "the battery's current: they, or a meter they listen to, measure it",
    "output": "their own output, whatever the loads take",
}


def add(commands: Any) -> None:
    """Add the command."""
    text = "write a first site's file, by asking what it must"
    made = commands.add_parser("init", help=text, description=text)
    made.add_argument("site", type=Path, nargs="?", default=Path("SITE.toml"), metavar="SITE.toml",
                      help="the file to write (default: SITE.toml); never one that is there")  # fmt: skip
    made.add_argument("--map", choices=list(STARTERS), metavar="KIND",
                      help="write a starter map instead, to be filled in (no question is asked): "
                      + ", ".join(STARTERS))  # fmt: skip
    made.set_defaults(run=run)


def run(chosen: argparse.Namespace) -> int:
    """Ask, then write."""
    if chosen.site.exists():
        raise BadFileError([f"{chosen.site}: is there already; give another name, or move it away"])
    if not os.access(chosen.site.parent, os.W_OK):  # not after a dozen questions
        why = "its folder is not there, or this user may not write to it"
        raise BadFileError([f"{chosen.site}: cannot be written: {why}"], unreadable=True)
    if chosen.map:
        _write(chosen.site, starter(chosen.map, chosen.site.name))
        print(f"{chosen.site} is written. Fill it in, then: packyoke check {chosen.site}")
        return 0
    answers = _asked()
    _write(chosen.site, site_text(answers))
    maps = map_texts(answers)
    there = [name for name in maps if (chosen.site.parent / name).exists()]
    fresh = [name for name in maps if name not in there]
    for name in fresh:
        _write(chosen.site.parent / name, maps[name])
    print(f"{chosen.site} is written. Look it through.")
    if fresh:
        print(f"To be filled in from the makers' papers: {', '.join(fresh)}.")
    if there:
        print(f"Left as it was: {', '.join(there)}.")
    print(f"Then:\n"
          f"  packyoke check {chosen.site}\n"
          f"  packyoke run {chosen.site} --listen-only\n"
          f"  packyoke meter {chosen.site}")  # fmt: skip
    return 0


def _write(path: Path, text: str) -> None:
    """Write a file that is not there yet. Raises BadFileError."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        complaint = f"{path}: cannot be written: {error.strerror or error}"
        raise BadFileError([complaint], unreadable=True) from None


def _asked() -> Answers:
    count = _ask(f"How many packs are in parallel? 1..{MOST_PACKS}", _whole(1, MOST_PACKS), "3")
    cells = _ask(f"How many cells in series has each? 1..{MOST_CELLS}", _whole(1, MOST_CELLS), "16")
    packs: list[PackAnswer] = []
    for number in range(1, count + 1):
        taken = [pack.pack for pack in packs]
        name = _ask(
            f"Name of pack {number}, 1..16 of a-z, 0-9 and -", _name(taken), f"pack-{number}"
        )
        capacity = _ask(f"Capacity of {name} in Ah", _tenths(LARGEST_AH, "Ah"), "100")
        hears, like = _hearing(name, packs)
        packs.append(PackAnswer(name, round(capacity * 1_000), hears, like))
    most = "that cables, fuses and switches of the bank carry, in A; nothing if unknown"
    charge = _ask(f"Largest charge current {most}", _maybe(_tenths(LARGEST_A, "A")), "")
    discharge = _ask(f"Largest discharge current {most}", _maybe(_tenths(LARGEST_A, "A")), "")
    limits = _choose("What do your chargers limit?", LIMITS)
    told = {key: row[0] for key, row in SAYS.items()}
    says = _choose("Who is to be told?", told, usual=len(told))
    return Answers(packs, cells, _milli(charge), _milli(discharge), limits, says)


def _hearing(name: str, before: list[PackAnswer]) -> tuple[str, str]:
    """Ask how a pack is heard; return a key of HEARS, and the pack that it is like, if any."""
    makes = [one for one in reversed(before) if not one.like and one.hears in HEARD_MAPS]
    options = {one.pack: f"like {one.pack}: the same make, on the same line" for one in makes}
    buses = {f"by {key}": row[0] for key, row in HEARS.items()}  # no pack's name has a blank
    usual = 1
    if before and not makes:
        usual = 1 + list(HEARS).index(before[-1].hears)
    chosen = _choose(f"How is {name} heard?", options | buses, usual)
    for one in makes:
        if one.pack == chosen:
            return one.hears, one.pack
    return chosen.removeprefix("by "), ""


def _milli(amps: float | None) -> int | None:
    return None if amps is None else round(amps * 1_000)


def _ask(question: str, parse: Callable[[str], Answer], usual: str) -> Answer:
    """Ask until the answer can be understood; an empty one is the usual."""
    while True:
        print(
            f"{question} [{usual}]: " if usual else f"{question}: ",
            end="",
            file=sys.stderr,
            flush=True,
        )
        line = sys.stdin.readline()
        if not line:
            print(file=sys.stderr)
            raise BadFileError(["standard input ended before the last answer; nothing was written"])
        try:
            return parse(line.strip() or usual)
        except ValueError as error:
            print(f"  expected {error}, got {line.strip()!r}", file=sys.stderr)


def _choose(question: str, options: dict[str, str], usual: int = 1) -> str:
    print(question, file=sys.stderr)
    keys = list(options)
    for number, key in enumerate(keys, 1):
        print(f"  {number}  {options[key]}", file=sys.stderr)
    return keys[_ask(f"1..{len(keys)}", _whole(1, len(keys)), str(usual)) - 1]


def _whole(low: int, high: int) -> Callable[[str], int]:
    def parse(text: str) -> int:
        if not text.isascii() or not text.isdecimal() or not low <= int(text) <= high:
            raise ValueError(f"a whole number {low}..{high}")
        return int(text)

    return parse


def _tenths(most: int, unit: str) -> Callable[[str], float]:
    def parse(text: str) -> float:
        try:
            value = float(text.removesuffix(unit).replace(",", "."))
        except ValueError:
            value = 0.0
        if not 0 < value <= most:
            raise ValueError(f"a number above 0, up to {most}")
        return value

    return parse


def _maybe(parse: Callable[[str], float]) -> Callable[[str], float | None]:
    return lambda text: parse(text) if text else None


def _name(taken: list[str]) -> Callable[[str], str]:
    def parse(text: str) -> str:
        refusal = bad_id(text)
        if refusal is not None:
            raise ValueError(refusal.expected)
        if text in taken:
            raise ValueError("a name that no other pack has")
        return text

    return parse
