"""The open-circuit voltage of a LiFePO4 cell over its charge, in closed form.

Source: the Prada2013 parameter set of PyBaMM: positive electrode after Afshar 2017 (arXiv
1709.03970), graphite after Chen 2020 (J. Electrochem. Soc. 167, 080534), cut-offs 2.0 and 3.6 V.
Use for shape: many large cells sit 20-30 mV higher on the plateau, and there is no hysteresis.
"""

from itertools import pairwise
from math import exp, tanh

CELLS = 16
POINTS = 4_200  # intervals of the look-up table over 0..1

_X0, _X100 = 0.0176179318, 0.8100434953  # graphite stoichiometry, empty and full
_Y100, _Y0 = 0.0037615921, 0.7035020209  # LiFePO4 stoichiometry, full and empty


def _positive_v(y: float) -> float:
    return 3.4077 - 0.020269 * y + 0.5 * exp(-150 * y) - 0.9 * exp(-30 * (1 - y))


def _negative_v(x: float) -> float:
    return (
        1.9793 * exp(-39.3631 * x)
        + 0.2482
        - 0.0909 * tanh(29.8538 * (x - 0.1234))
        - 0.04478 * tanh(14.9159 * (x - 0.2769))
        - 0.0205 * tanh(30.4444 * (x - 0.6103))
    )


def open_circuit_v(charge: float) -> float:
    """Return the open-circuit voltage [V] at `charge` 0..1."""
    y = _Y0 + (_Y100 - _Y0) * charge
    x = _X0 + (_X100 - _X0) * charge
    return _positive_v(y) - _negative_v(x)


TABLE = [open_circuit_v(i / POINTS) for i in range(POINTS + 1)]
# The slopes at both ends carry on beyond them: an overfull cell rises steeply.
_LOW_SLOPE = TABLE[1] - TABLE[0]
_HIGH_SLOPE = TABLE[POINTS] - TABLE[POINTS - 1]
# The same as straight lines, offset and slope per point, for the hottest loop.
LINES = [
    (left - (right - left) * i, right - left) for i, (left, right) in enumerate(pairwise(TABLE))
]


def looked_up_v(charge: float) -> float:
    """Return the same by linear interpolation of the table; beyond 0..1 the end slopes go on."""
    place = charge * POINTS
    if place <= 0.0:
        return TABLE[0] + _LOW_SLOPE * place
    if place >= POINTS:
        return TABLE[POINTS] + _HIGH_SLOPE * (place - POINTS)
    i = int(place)
    return TABLE[i] + (TABLE[i + 1] - TABLE[i]) * (place - i)


# The area under the curve up to each point: what a cell stores, per ampere-second of its capacity.
_AREAS = [0.0]
for _left_v, _right_v in pairwise(TABLE):
    _AREAS.append(_AREAS[-1] + (_left_v + _right_v) / 2 / POINTS)


def stored_v(charge: float) -> float:
    """Return the curve's area [V] from empty to `charge`, exact for the table; times the capacity
    in ampere-seconds it is the energy stored."""
    i = min(POINTS, max(0, int(charge * POINTS)))
    rest = charge - i / POINTS
    return _AREAS[i] + rest * (TABLE[i] + looked_up_v(charge)) / 2
