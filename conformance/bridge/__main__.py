"""Speak the driver protocol on standard input and output."""

import json
import sys

from conformance.bridge.bridge import Bridge, answer_line

bridge = Bridge()
for line in sys.stdin.buffer:
    answer = answer_line(bridge, line.decode(errors="replace"))
    if answer is not None:
        print(json.dumps(answer), flush=True)
    if bridge.done:
        break
