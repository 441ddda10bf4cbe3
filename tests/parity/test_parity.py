"""Every interpreter gives the same answers, byte for byte: whatever a driver sends."""

import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from aggregator.cycle import STAGES
from aggregator.findings import BANK_FINDINGS, PACK_FINDINGS
from aggregator.rows import REASONS
from aggregator.rules import CURRENT_RULES, VOLTAGE_RULES
from conformance.device import Device, answer_line
from conformance.streams import play, stream
from tests.parity.boards import ROOT, WASM_BUILDS, Board, device

BUILDS_32 = tuple(WASM_BUILDS)
BATCH = 50
FOUND = ROOT / "build" / "parity"  # where a stream goes that is answered differently

Transcript = list[tuple[str, str]]  # lines and CPython's answers


@pytest.fixture(scope="module")
def boards() -> Iterator[dict[str, Board]]:
    """One long-lived device on each interpreter."""
    started = {build: device(build) for build in ("unix64", *BUILDS_32)}
    yield started
    for board in started.values():
        board.close()


def transcript(seed: int) -> Transcript:
    """Play a stream to the device on this interpreter."""
    own = Device()
    return list(play(stream(seed), lambda line: answer_line(own, line) or ""))


def difference(transcript: Transcript, board: Board) -> str | None:
    """Return the first line that `board` answers differently, in words; None: there is none."""
    for number, (line, ours) in enumerate(transcript, start=1):
        theirs = board.ask(line)
        if theirs != ours:
            at = next(
                (i for i, (a, b) in enumerate(zip(ours, theirs, strict=False)) if a != b),
                min(len(ours), len(theirs)),
            )
            start = max(0, at - 60)
            return (
                f"line {number}: {line[:300]}\n"
                f"  here:  ...{ours[start : at + 60]}\n  there: ...{theirs[start : at + 60]}"
            )
    return None


def kept(name: str, transcript: Transcript) -> str:
    """Write a stream to a file that a device can be fed with; return how to."""
    FOUND.mkdir(parents=True, exist_ok=True)
    path = FOUND / f"{name}.jsonl"
    path.write_text("".join(line + "\n" for line, _ in transcript), encoding="utf-8")
    return f"  replay: python -m conformance.device < {path.relative_to(ROOT)}"


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "seeds" in metafunc.fixturenames:
        count = metafunc.config.getoption("--streams")
        batches = [range(start, min(start + BATCH, count)) for start in range(0, count, BATCH)]
        ids = [f"{batch.start}-{batch.stop - 1}" for batch in batches]
        metafunc.parametrize("seeds", batches, ids=ids)


def test_streams_are_answered_alike(boards: dict[str, Board], seeds: range) -> None:
    """Random streams get the same answers from CPython, from 64-bit MicroPython, and from one of
    the 32-bit MicroPythons, which take turns."""
    ours = {seed: transcript(seed) for seed in seeds}

    def differences(build: str) -> list[str]:
        found = []
        for seed in seeds:
            if build == "unix64" or build == BUILDS_32[seed % len(BUILDS_32)]:
                what = difference(ours[seed], boards[build])
                if what is not None:
                    how = kept(f"stream-{seed}", ours[seed])
                    found.append(f"{build}, stream {seed}, {what}\n{how}")
        return found

    with ThreadPoolExecutor(len(boards)) as pool:
        found = [what for several in pool.map(differences, boards) for what in several]
    assert not found, f"{len(found)} answered differently:\n" + "\n".join(found[:5])


def test_one_changed_byte_is_a_difference(boards: dict[str, Board]) -> None:
    """The comparison sees a single byte that is another, on every interpreter."""
    ours = transcript(1)
    line, answer = ours[-1]
    ours[-1] = (line, answer[:-1] + ")")
    for board in boards.values():
        what = difference(ours, board)
        assert what is not None
        assert what.startswith(f"line {len(ours)}: ")


def _names(answer: dict[str, object]) -> Iterator[object]:
    """Everything in an answer that names a part of the core."""
    view = answer.get("view")
    if isinstance(view, dict):
        yield view["stage"]
        yield from (found["name"] for found in view["findings"])
        for row in view["packs"]:
            yield row["presence"]
            yield (row["why_ignored"] or "").split(": ")[-1]
            yield "learned" if row["share_permille"] is not None else ""
    for cap in answer.get("caps", ()):  # type: ignore[attr-defined]  # a list, if it is there
        yield cap["rule"]


# Conditions that take a bank with one learned share of the wrong sign, or hours at a standstill.
SELDOM = {"share_implausible", "headroom_stalls"}


def test_streams_exercise_the_core() -> None:
    """Streams make every rule apply, every finding, presence, stage and reason show."""
    tables = (CURRENT_RULES, VOLTAGE_RULES, BANK_FINDINGS, PACK_FINDINGS, REASONS)
    expected = {str(row[0]) for table in tables for row in table} | {*STAGES, "learned"}
    expected |= {"live", "late", "unheard", "removed"}
    seed = 0
    while expected - SELDOM and seed < 1_000:
        for _, answer in transcript(seed):
            expected.difference_update(str(name) for name in _names(json.loads(answer)))
        seed += 1
    assert not expected - SELDOM, f"never seen in {seed} streams"
