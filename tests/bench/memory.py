"""What the core takes of a 32-bit heap, measured inside a 32-bit MicroPython.

That interpreter collects garbage only between calls from outside, so every figure here is taken
between calls, and what a step allocates is counted to the byte: nothing is tidied up meanwhile.
Its heap grows where a board's would be full; a heap is found large enough when it never grew. A
board collects whenever it must, also in the middle of an import; here, modules are imported by a
call each, and the bank is made by several.
"""

import ast
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.bench.rom import bytes_in_flash
from tests.parity.boards import ROOT, WasmBoard, tool

BUILD = "newest32"
PACKS = 16
WARM_UP_STEPS = 120
WATCHED_STEPS = 600
HOUR_STEPS = 3_600
CALL_STEPS = 20  # steps a call from outside; garbage stays until the call ends
LARGE_HEAP = 4 << 20
HEAP_GRAIN = 512
# The core without its JSON, which a board that speaks none need not hold (see plain.py).
JSON = ("fields", "plain")
CORE_FILES = sorted(path for path in (ROOT / "aggregator").glob("*.py") if path.stem not in JSON)
LOAD = ROOT / "tests" / "bench" / "load.py"
PACKAGE = "aggregator/__init__.mpy"

START = "import gc\ngc.collect()\nprint(gc.mem_alloc())"
ALLOCATED = """
import gc
def watch(load, steps):
    worst = total = 0
    for _ in range(steps):
        before = gc.mem_alloc()
        load.run(1)
        gone = gc.mem_alloc() - before
        total += gone
        worst = max(worst, gone)
    print(worst, total)
"""


def compiled(folder: Path) -> list[str]:
    """Compile the core and what drives it into `folder`; return the files, relative to it."""
    files = []
    for source in [*CORE_FILES, LOAD]:
        target = folder / source.relative_to(ROOT).with_suffix(".mpy")
        target.parent.mkdir(parents=True, exist_ok=True)
        how = ["-O3", "-s", source.stem, "-o", str(target)]  # as for a release
        subprocess.run([tool("mpy-cross"), *how, str(source)], check=True)
        files.append(str(target.relative_to(folder)))
    return files


def load_lines(count: int) -> tuple[str, ...]:
    """Return the lines that make a running bank of `count` packs."""
    return (
        "from aggregator import Aggregator\nfrom tests.bench.load import *",
        f"settings = settings_of({count})",
        "bank = Aggregator(settings)",
        "load = Load(bank, [pack.pack for pack in settings.packs])",
    )


def _used(board: WasmBoard, code: str) -> int:
    """Run `code`, collect, and return the bytes in use."""
    board.run(code)
    board.run("gc.collect()")
    return int(board.run("print(gc.mem_alloc())"))


def bytes_of_bank(files: list[str], folder: Path, count: int) -> tuple[int, int]:
    """Return the bytes of the imported core, and of a running bank of `count` packs."""
    with WasmBoard(BUILD, files, LARGE_HEAP, folder) as board:
        empty = _used(board, "import gc")
        imported = _used(board, "import aggregator")
        imports, *lines = load_lines(count)
        driver = _used(board, imports)
        for line in lines:
            board.run(line)
        for _ in range(WARM_UP_STEPS):
            board.run("load.run(1)")
        running = _used(board, "load.report = load.names = None")  # those are the adapter's
        return imported - empty, running - driver


def bytes_per_step(files: list[str], folder: Path) -> tuple[int, float]:
    """Return what accept and step of 16 packs allocate once they run: most in a step, and mean."""
    with WasmBoard(BUILD, files, LARGE_HEAP, folder) as board:
        board.run("\n".join(load_lines(PACKS)) + ALLOCATED)
        board.run(f"watch(load, {WARM_UP_STEPS})")
        worst = total = 0
        for _ in range(WATCHED_STEPS // CALL_STEPS):
            answer = board.run(f"watch(load, {CALL_STEPS})").split()
            worst = max(worst, int(answer[0]))
            total += int(answer[1])
        return worst, total / WATCHED_STEPS


def import_order() -> list[str]:
    """Return the core's modules, each after those that it imports.

    `settings` is first, with what it imports: it brings the names that stand in their tables. A
    text that is not yet a name when a table is loaded is kept beside the name later.
    """
    order: list[str] = []

    def visit(path: Path) -> None:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.level:
                visit(path.with_name(f"{node.module}.py"))
        if path.stem not in order:
            order.append(path.stem)

    visit(ROOT / "aggregator" / "__init__.py")
    order.remove("__init__")
    return ["settings", *[module for module in order if module != "settings"]]


def import_core(board: WasmBoard) -> None:
    """Import the core, a module a call, and the package that names them all last."""
    board.run(f"import os, sys\nos.rename('/board/{PACKAGE}', '/board/package')")
    for module in import_order():
        board.run(f"import aggregator.{module}")
        board.run("gc.collect()")
    board.run(f"os.rename('/board/package', '/board/{PACKAGE}')\nwithout = aggregator")
    board.run("del sys.modules['aggregator']\nimport aggregator")
    # As if the package had imported them: it names its modules, too.
    for module in import_order():
        board.run(f"aggregator.{module} = without.{module}")
    board.run("without = None")
    board.run("gc.collect()")


def fits(files: list[str], folder: Path, heap: int, steps: int) -> bool:
    """Do import, 16 packs and `steps` steps fit into a heap of `heap` bytes?"""
    with WasmBoard(BUILD, files, heap, folder) as board:
        whole = "print(gc.mem_alloc() + gc.mem_free())"
        board.run("import gc")
        before = board.run(whole)
        import_core(board)
        for line in load_lines(PACKS):
            board.run(line)
            board.run("gc.collect()")
        for _ in range(steps // CALL_STEPS):
            board.run(f"load.run({CALL_STEPS})")
            board.run("gc.collect()")
        return board.run(whole) == before


def fits_unix(folder: Path, heap: int) -> bool:
    """Do the same import, packs and a minute fit into a heap of the 64-bit port?"""
    code = "\n".join(load_lines(PACKS)) + "\nload.run(60)"
    command = [tool("micropython"), "-X", f"heapsize={heap}", "-c", code]
    done = subprocess.run(
        command, env={"MICROPYPATH": str(folder)}, capture_output=True, cwd=folder
    )
    return done.returncode == 0


def smallest(works: Callable[[int], bool], low: int, high: int) -> int:
    """Return the smallest heap that works, to HEAP_GRAIN bytes; `high` must work."""
    while high - low > HEAP_GRAIN:
        middle = (low + high) // 2
        if works(middle):
            high = middle
        else:
            low = middle
    return high


def measure() -> dict[str, float]:
    """Return every figure, by name, in bytes."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = compiled(folder)
        core, one = bytes_of_bank(files, folder, 1)
        _, many = bytes_of_bank(files, folder, PACKS)
        worst, mean = bytes_per_step(files, folder)
        heap = smallest(lambda size: fits(files, folder, size, 60), 8 << 10, 1 << 20)
        hour = fits(files, folder, heap, HOUR_STEPS)
        unix = smallest(lambda size: fits_unix(folder, size), 8 << 10, 1 << 20)
        flash = sum((folder / file).stat().st_size for file in files if "bench" not in file)
        in_flash = bytes_in_flash(folder)
    return {
        "mpy_files": flash,
        "core_imported": core,
        "bank_of_1": one,
        "bank_of_16": many,
        "per_pack": (many - one) / (PACKS - 1),
        "worst_step": worst,
        "mean_step": mean,
        "heap": heap,
        "in_flash": in_flash,
        "heap_beside_flash": heap - in_flash,
        "heap_lasts_an_hour": hour,
        "unix_heap": unix,
    }


if __name__ == "__main__":
    for name, value in measure().items():
        print(name, value)
