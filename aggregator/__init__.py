"""One battery out of several parallel LiFePO4 packs: the core, without I/O, clock or floats.

aggregator.py                             read first: accept -> step -> view
report.py                                 what a pack says
settings.py, ranges.py, checks.py         what the installer decides
pack.py, presence.py                      is a pack there? unheard is not gone
derate.py, direction.py, headroom.py      what each pack may take, and the room left
reference.py, shares.py, loss.py          earlier readings; who takes how much; what if one opens
voltage.py, rules.py, limits.py, ramp.py  every cap there is, and how the least one wins
stages.py, cycle.py                       bulk, absorption, float, paused
requests.py, commands.py                  what the owner asks
merge.py, view.py, rows.py, findings.py   the packs as one battery; things worth a look
bank.py, snapshot.py                      the parts side by side; keeping them
fields.py, plain.py                       the same as JSON
ticks.py, errors.py                       time that wraps; refusals
"""

from .aggregator import LIMITS, Aggregator
from .errors import Refusal, SettingsError
from .report import BusReport, PackReport
from .requests import Request
from .settings import BankSettings, PackSettings, StageSettings
from .view import Cap, Finding, PackRow, SystemView

__version__ = "0.1.0"

__all__ = [
    "LIMITS",
    "Aggregator",
    "BankSettings",
    "BusReport",
    "Cap",
    "Finding",
    "PackReport",
    "PackRow",
    "PackSettings",
    "Refusal",
    "Request",
    "SettingsError",
    "StageSettings",
    "SystemView",
]
