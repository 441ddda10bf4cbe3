"""The page's `main.py` runs on MicroPython: lines come in, frames and contacts go out, state is kept."""

import json
import os
import re
import subprocess
from pathlib import Path

from tests.parity.boards import ROOT, tool

PAGE = ROOT / "docs" / "how-to" / "put-it-on-a-board.md"

DRIVEN = '''
class Pin:
    def __init__(self):
        self.level = 0
    def value(self, level):
        self.level = level

sent, answers, events = [], [], []
pins = {"charge": Pin(), "discharge": Pin()}
SITE["state"] = STATE

def line(pack, current_ma, allowed):
    return json.dumps({"pack": pack, "voltage_mv": 53120, "current_ma": current_ma, "cell_min_mv": 3310,
        "cell_max_mv": 3330, "temperature_min_decic": 200, "temperature_max_decic": 220, "charge_allowed": allowed,
        "discharge_allowed": True, "charge_path_closed": True, "discharge_path_closed": True, "charge_voltage_limit_mv": 57000,
        "discharge_voltage_limit_mv": 45000, "charge_current_limit_ma": 50000, "discharge_current_limit_ma": 50000}).encode() + b"\\n"

def send(identifier, data):
    sent.append((identifier, bytes(data)))

now = (1 << 30) - 30000  # over a wrap
gateway = Gateway(SITE, pins, send, answers.append, now)
for second in range(90):
    allowed = second < 80
    for part in range(20):
        now = (now + 50) & 0x3FFFFFFF
        if part == 0:
            data = line("oak", 20000, allowed) + line("fir", 9000, True)
            gateway.heard_serial(data[:100], now)
            gateway.heard_serial(data[100:], now)
            if second == 80:
                gateway.turn(now)
                events.append(("denied", pins["charge"].level, gateway.view.charge_current_limit_ma))
        gateway.turn(now)
    if second == 79:
        events.append(("before", pins["charge"].level, gateway.view.charge_current_limit_ma > 0))
gateway.heard_serial(b"garbage\\n", now)
gateway.turn(now)
gateway.save(now)
goals = [data for identifier, data in sent if identifier >> 8 & 0x1FFFF == 0x1FEC9]
for part in range(1200):  # every pack falls silent for a minute
    now = (now + 50) & 0x3FFFFFFF
    gateway.turn(now)
    if part == 1000:
        said = len(sent)
lost = [data[2] for identifier, data in sent[said:] if identifier >> 8 & 0x1FFFF == 0x1FEC9]
print(json.dumps({"lost": sorted(set(lost)), "frames": len(sent), "goals": [list(goals[-1]), max([data[2] for data in goals])],
                  "events": events, "answers": len(answers), "refused": gateway.lines.counts.refused}))
'''  # fmt: skip


def run(state: Path) -> dict[str, object]:
    """Run the page's program and drive it; return what it printed."""
    page = PAGE.read_text(encoding="utf-8")
    (main,) = [
        code
        for code in re.findall(r"^```python\n(.*?)^```$", page, re.M | re.S)
        if "class Gateway" in code
    ]
    code = main + f"STATE = {str(state)!r}\n" + DRIVEN
    command = [tool("micropython"), "-X", "heapsize=8m", "-c", code]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, cwd=ROOT,
                          env={**os.environ, "MICROPYPATH": str(ROOT)}, check=False)  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    found: dict[str, object] = json.loads(done.stdout.splitlines()[-1])
    return found


def test_the_page_s_gateway_speaks_and_stops_on_micropython(tmp_path: Path) -> None:
    """It charges while both packs allow it; a denial is in the contacts and the limit at once; after
    it "do not charge" (state 1) goes on being said; garbage is refused and answered."""
    found = run(tmp_path / "bank.json")
    assert found["events"] == [["before", 1, True], ["denied", 0, 0]]
    assert found["lost"] == [1]  # silence would stop nobody
    last, highest_state = found["goals"]  # type: ignore[misc]  # two things
    assert last[2] == 1
    assert highest_state > 1
    assert isinstance(found["frames"], int)
    assert found["frames"] > 500
    assert (found["answers"], found["refused"]) == (1, 1)
    kept = json.loads((tmp_path / "bank.json").read_text())
    assert kept["version"] == 1
    again = run(tmp_path / "bank.json")
    assert again["events"] == found["events"]
