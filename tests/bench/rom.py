"""How much of the imported core can stay in flash, in a read-only file system (ROMFS).

MicroPython runs code and reads names and texts in place where files lie in such a file system, so
what they hold takes no RAM. That is worked out from the files, for a 32-bit board, which gives RAM
out in blocks of 16 bytes. Of the interpreters used here only the 64-bit port has such a file system,
and blocks of 32 bytes: worked out for that, it must be what is measured there, the same files once
in RAM and once in a ROMFS. (A collector takes some garbage for live; so not to the byte.)
Source of the format: MicroPython's documentation, "ROMFS".
"""

import subprocess
import tempfile
from pathlib import Path

from tests.bench.mpy import CompiledFile
from tests.parity.boards import tool

MAGIC = b"\xd2\xcd\x31"
DATA, FOLDER, FILE = 2, 4, 5  # kinds of record
BOARD_BLOCK, PORT_BLOCK = 16, 32
TOLERANCE_PERCENT = 6
MOUNT = """
import sys, vfs
image = bytearray({size})
with open({path!r}, "rb") as file:
    file.readinto(image)
vfs.mount(vfs.VfsRom(image), "/rom")
sys.path.insert(0, "/rom")
"""
IMPORTED = """
import gc
gc.collect()
before = gc.mem_alloc()
import aggregator
gc.collect()
print(gc.mem_alloc() - before)
"""


def _number(value: int) -> bytes:
    """Return `value` in groups of seven bits, the highest first."""
    more = [0x80 | value >> shift & 0x7F for shift in (21, 14, 7) if value >> shift]
    return bytes([*more, value & 0x7F])


def _record(kind: bytes, payload: bytes) -> bytes:
    return kind + _number(len(payload)) + payload


def _named(kind: int, name: str, content: bytes) -> bytes:
    return _record(_number(kind), _number(len(name)) + name.encode() + content)


def _content(folder: Path) -> bytes:
    records = []
    for path in sorted(folder.iterdir()):
        if path.is_dir():
            records.append(_named(FOLDER, path.name, _content(path)))
        else:
            data = _record(_number(DATA), path.read_bytes())
            records.append(_named(FILE, path.name, data))
    return b"".join(records)


def _imported(start: str, folder: Path) -> int:
    """Return the bytes of RAM that the imported core takes after running `start`."""
    command = [tool("micropython"), "-X", "heapsize=4m", "-c", start + IMPORTED]
    done = subprocess.run(
        command, cwd=folder, env={"MICROPYPATH": ""}, capture_output=True, text=True, check=True
    )
    return int(done.stdout)


def worked_out(folder: Path, block: int) -> int:
    """Return the bytes of RAM that the files' code, names and texts take, in blocks of `block`."""
    files = [CompiledFile(path) for path in sorted(folder.rglob("*.mpy"))]
    names = {name for file in files for name in file.names}
    texts = [text for file in files for text in file.texts if text not in names]
    lengths = [len(code) for file in files for code in file.kept_codes()]
    lengths += [len(text) + 1 for text in texts]
    # Names are packed end to end.
    return sum(-(-length // block) * block for length in lengths) + sum(
        len(name) + 1 for name in names
    )


def measured(folder: Path) -> int:
    """Return the bytes of RAM that the core in `folder` saves by staying in flash: 64-bit port."""
    image = _record(MAGIC, _content(folder))
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "image"
        path.write_bytes(image)
        in_flash = _imported(MOUNT.format(size=len(image), path=str(path)), Path(name))
    return _imported(f"import sys\nsys.path.insert(0, {str(folder)!r})\n", folder) - in_flash


def bytes_in_flash(folder: Path) -> int:
    """Return how many bytes of RAM the core in `folder` saves a 32-bit board by staying in flash.

    Raises RuntimeError if the same sum for the 64-bit port is not what is measured there.
    """
    found, expected = measured(folder), worked_out(folder, PORT_BLOCK)
    if abs(found - expected) > expected * TOLERANCE_PERCENT // 100:
        raise RuntimeError(f"{expected} B should stay in flash on the 64-bit port, {found} B do")
    return worked_out(folder, BOARD_BLOCK)
