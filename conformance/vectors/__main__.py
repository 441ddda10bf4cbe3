"""Lay the vector files out, one step a line, and write the index: `python -m conformance.vectors`."""

import hashlib
import json
from pathlib import Path

from conformance.vectors import AREAS, FOLDER, KIT, VERSION, Plain

WIDTH = 100


def laid_out(value: object, indent: int = 0, lead: int = 0) -> str:
    """Return JSON with everything that fits on one line on one line.

    `indent`: of the line it begins on; `lead`: how much of that line is taken.
    """
    flat = json.dumps(value, ensure_ascii=False)
    if lead + len(flat) <= WIDTH or not isinstance(value, (dict, list)) or not value:
        return flat
    deeper = indent + 2
    if isinstance(value, dict):
        rows = []
        for key, inner in value.items():
            head = json.dumps(key) + ": "
            rows.append(head + laid_out(inner, deeper, deeper + len(head)))
        opens, closes = "{", "}"
    else:
        rows = [laid_out(inner, deeper, deeper) for inner in value]
        opens, closes = "[", "]"
    pad = "\n" + " " * deeper
    return opens + pad + ("," + pad).join(rows) + "\n" + " " * indent + closes


def index(folder: Path = FOLDER / VERSION) -> Plain:
    """Return what index.json must say: each file's checksum and number of cases."""
    files: dict[str, Plain] = {}
    for area in AREAS:
        data = (folder / f"{area}.json").read_bytes()
        count = len(json.loads(data)["cases"])
        files[f"{area}.json"] = {"sha256": hashlib.sha256(data).hexdigest(), "cases": count}
    return {"kit": KIT, "cases": sum(row["cases"] for row in files.values()), "files": files}


def main() -> None:
    """Write every file of this version."""
    folder = FOLDER / VERSION
    for area in AREAS:
        path = folder / f"{area}.json"
        plain = json.loads(path.read_text(encoding="utf-8"))
        path.write_text(laid_out(plain) + "\n", encoding="utf-8")
    (folder / "index.json").write_text(laid_out(index(folder)) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
