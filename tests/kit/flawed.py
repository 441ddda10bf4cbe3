"""Our own device with three flaws that only some stories meet, to be found by campaigns."""

import json
import sys

from conformance.device import Device

MANY = 4  # packs

device = Device()
packs = 0
for line in sys.stdin:
    request = json.loads(line)
    if request.get("soc_permille") == 1_001:
        answer = {"ok": True}  # it takes what cannot be
    else:
        answer = device.answer(request)
    if request.get("op") == "reset":
        packs = len(request["settings"]["packs"])
    if "may_speak" in answer:
        answer["may_speak"] = True  # long after the last step, too
    if packs >= MANY and "view" in answer:
        answer["view"]["charge_allowed"] = True  # whatever the limit
    print(json.dumps(answer), flush=True)
