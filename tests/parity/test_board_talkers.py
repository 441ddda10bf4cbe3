"""Talkers for boards: the same words on every interpreter, and next to no garbage."""

import json
import random
from collections.abc import Iterator

import pytest

from adapters.jsonlines.opposite import report_line
from adapters.rvc.opposite import pack_frames
from aggregator import PackReport
from aggregator.report import ALARMS
from tests.fuzz.board import chunks, rvc_frames
from tests.parity.boards import ROOT, WASM_BUILDS, Board, WasmBoard, tool
from tests.parity.talkers import TALKERS, answer

HOST_ONLY = ("settings", "opposite", "lines")
FILES = [
    "adapters/__init__.py",
    "adapters/counts.py",
    "tests/__init__.py",
    "tests/parity/talkers.py",
    *(
        str(path.relative_to(ROOT))
        for folder in ("aggregator", "adapters/jsonlines", "adapters/rvc", "adapters/contacts")
        for path in sorted((ROOT / folder).glob("*.py"))
        if path.stem not in HOST_ONLY or folder == "aggregator"
    ),
]
BUILDS = ("unix64", *WASM_BUILDS)
GAMES = 30  # for each talker
HEAP = 1 << 20  # counting walks through all of it
ROUND_A_LINE = 96  # what a line said costs besides itself
MOST_BYTES = 64  # a message may allocate on a 32-bit board


def started(build: str) -> Board:
    """An interpreter that answers for talkers."""
    if build == "unix64":
        command = [tool("micropython"), "-X", "heapsize=64m", "-m", "tests.parity.talkers"]
        return Board(command, MICROPYPATH=str(ROOT))
    board = WasmBoard(build, FILES)
    board.run("from tests.parity.talkers import answer")
    return board


@pytest.fixture(scope="module")
def boards() -> Iterator[dict[str, Board]]:
    """Every interpreter, for all games."""
    found = {build: started(build) for build in BUILDS}
    yield found
    for board in found.values():
        board.close()


def report(rng: random.Random) -> PackReport:
    """A report of a pack, at random."""
    return PackReport(
        rng.choice(["oak", "fir", "elm-2"]),
        rng.randrange(65_536),
        voltage_mv=rng.randrange(40_000, 60_000),
        current_ma=rng.randrange(-300_000, 300_000),
        cells_mv=[rng.randrange(2_500, 3_700) for _ in range(rng.choice([0, 4, 16]))],
        temperature_max_decic=rng.randrange(-300, 700),
        soc_permille=rng.randrange(1_001),
        charge_allowed=rng.choice([True, False, None]),
        discharge_allowed=rng.choice([True, False, None]),
        charge_voltage_limit_mv=rng.randrange(50_000, 58_000),
        charge_current_limit_ma=rng.choice([0, 40, rng.randrange(200_000), None]),
        warnings=rng.sample(ALARMS, rng.randrange(3)),
    )


def view(rng: random.Random) -> dict[str, object]:
    """Fields of a view, at random."""
    return {
        "voltage_mv": rng.choice([None, rng.randrange(150_000)]),
        "current_ma": rng.choice([None, rng.randrange(-1_000_000, 1_000_000)]),
        "soc_permille": rng.choice([None, rng.randrange(1_001)]),
        "capacity_mah": rng.randrange(1_000_000),
        "remaining_mah": rng.choice([None, rng.randrange(1_000_000)]),
        "temperature_max_decic": rng.randrange(-500, 1_500),
        "charge_allowed": rng.random() < 0.7,
        "discharge_allowed": rng.random() < 0.7,
        "charge_voltage_limit_mv": rng.randrange(60_000),
        "charge_current_limit_ma": rng.choice([0, 40, rng.randrange(1_000_000)]),
        "discharge_current_limit_ma": rng.choice([0, rng.randrange(1_000_000)]),
        "protection_bits": rng.getrandbits(15),
        "may_speak": True,
    }


def incoming(kind: str, rng: random.Random) -> list[object]:
    """Items that a talker hears: sense and nonsense."""
    noise = rng.randbytes(rng.randrange(60))
    if kind == "lines in":
        stream = b"".join(report_line(report(rng)) for _ in range(rng.randrange(3)))
        spoilt = bytearray(stream + b'{"op":"bus"}\n' + noise)
        spoilt[rng.randrange(len(spoilt))] ^= rng.choice([0, 1, 32, 128])
        return [chunk.hex() for chunk in chunks(bytes([rng.randrange(256)]) + spoilt)]
    if kind.startswith("rv-c"):
        frames = pack_frames(report(rng), 1, rng.choice([100, 120, 121]), rng.choice([60, 200]))
        rng.shuffle(frames)
        return [[number, data.hex()] for number, data in [*frames, *rvc_frames(noise)]]
    return []


def game(kind: str, seed: int) -> str:
    """What is done to a talker: a line for `answer`."""
    rng = random.Random(f"{kind} {seed}")
    now_ms = rng.choice([0, (1 << 30) - 4_000])
    moments: list[list[object]] = []
    for _ in range(rng.randrange(1, 12)):
        for item in incoming(kind, rng) if rng.random() < 0.6 else []:
            moments.append([now_ms, item])
            now_ms = (now_ms + rng.choice([0, 10, 300])) % (1 << 30)
        moments.append([now_ms, view(rng), rng.random() < 0.8])
        now_ms = (now_ms + rng.choice([20, 100, 500, 2_500])) % (1 << 30)
    return json.dumps([kind, moments])


@pytest.mark.parametrize("kind", sorted(TALKERS))
def test_talkers_say_the_same_on_every_interpreter(boards: dict[str, Board], kind: str) -> None:
    """Random games, wraps of the counter among them, end alike, byte for byte."""
    for seed in range(GAMES):
        line = game(kind, seed)
        ours = answer(line)
        for build, board in boards.items():
            assert board.ask(line) == ours, f"{build}, {kind}, game {seed}"


@pytest.mark.parametrize("kind", sorted(TALKERS))
def test_games_are_about_something(kind: str) -> None:
    """The games make talkers say, hand over and refuse."""
    told = [json.loads(answer(game(kind, seed))) for seed in range(GAMES)]
    assert sum(len(json.dumps(one)) > 100 for one in told) > GAMES // 3
    if kind in ("lines in", "rv-c source", "rv-c pack"):
        assert any(one[-1][0] for one in told)
        assert any(one for game in told for one in game[:-1])


WATCH = """
import gc
from adapters.jsonlines.lines_in import LinesIn
from adapters.jsonlines.lines_out import LinesOut
from adapters.rvc.pack import RvcPack
from aggregator.view import SystemView
from tests.parity.talkers import TALKERS
def heard(talker, items, rounds):
    worst = total = count = now_ms = 0
    for _ in range(rounds):
        for item in items:
            now_ms += 20
            before = gc.mem_alloc()
            talker.received(item, now_ms)
            gone = gc.mem_alloc() - before
            total += gone
            count += 1
            if gone > worst:
                worst = gone
    print(worst, total // count)
def said(talker, view, now_ms, rounds):
    worst = total = count = 0
    for _ in range(rounds):
        now_ms += 20
        before = gc.mem_alloc()
        items = talker.due(now_ms, view, True)
        gone = gc.mem_alloc() - before
        total += gone
        count += len(items)
        if gone > worst:
            worst = gone
    print(worst, total // max(1, count))
view = SystemView(["oak"])
for name, value in (("voltage_mv", 53120), ("current_ma", 42500), ("power_w", 2258),
        ("soc_permille", 875), ("capacity_mah", 300000), ("remaining_mah", 262000),
        ("charge_allowed", True), ("charge_voltage_limit_mv", 56000),
        ("charge_current_limit_ma", 100000), ("discharge_allowed", True),
        ("discharge_current_limit_ma", 100000)):
    setattr(view, name, value)
few = LinesOut(["voltage_mv", "current_ma", "soc_permille", "charge_current_limit_ma", "stage"], 500)
lines, pack = LinesIn(), RvcPack("oak", 1)
source, contacts = TALKERS["rv-c source"](), TALKERS["contacts"]()
source.opened(0)
"""
FULL = PackReport(
    "oak", 5, voltage_mv=53_120, current_ma=-32_000, cells_mv=[3_300 + n for n in range(16)],
    temperatures_decic=[200, 231], temperature_max_decic=231, soc_permille=811, soh_permille=990,
    capacity_mah=300_000, charge_allowed=True, discharge_allowed=True, charge_path_closed=True,
    discharge_path_closed=True, charge_voltage_limit_mv=56_800, charge_current_limit_ma=100_000,
    discharge_voltage_limit_mv=44_800, discharge_current_limit_ma=120_000, balancing=False,
    warnings=["cell_imbalance"], protections=[],
)  # fmt: skip


@pytest.mark.parametrize("build", sorted(WASM_BUILDS))
def test_messages_leave_next_to_no_garbage(build: str) -> None:
    """A message heard, and a frame or level said, allocates at most 64 bytes on 32 bits; a line said,
    itself and a little."""
    line = report_line(FULL)
    asked = b'{"op":"request","kind":"cap_charge_current","value":5,"source":"phone"}\n'
    streams = {
        "report": [line],
        "report in pieces": [line[:100], line[100:300], line[300:]],
        "bus": [b'{"op":"bus","voltage_mv":53000,"current_ma":-91000}\n'],
        "request": [asked],
    }
    frames = pack_frames(FULL, 1)
    worst = {}
    with WasmBoard(build, FILES, HEAP) as board:
        board.run(WATCH)
        for name, items in streams.items():
            board.run(f"heard(lines, {items}, 3)")
            worst["hear " + name] = board.run(f"heard(lines, {items}, 20)")
        board.run(f"heard(pack, {frames}, 3)")
        worst["hear rv-c"] = board.run(f"heard(pack, {frames}, 20)")
        board.run(f"heard(source, {frames}, 3)")
        worst["overhear rv-c"] = board.run(f"heard(source, {frames}, 20)")
        board.run("source.opened(0)\nsaid(source, view, 0, 200)")
        worst["say rv-c"] = board.run("said(source, view, 4000, 200)")
        board.run("said(few, view, 0, 50)")
        line_said = int(board.run("said(few, view, 1000, 200)").split()[1])
        length = int(board.run("print(len(few.due(90000, view, True)[0]))"))
        board.run("said(contacts, view, 0, 50)")
        worst["say contacts"] = board.run("said(contacts, view, 1000, 200)")
    assert line_said <= length + ROUND_A_LINE
    for name, figures in worst.items():
        most, mean = (int(number) for number in figures.split())
        assert (mean if name.startswith("say") else most) <= MOST_BYTES, worst
