"""Is a pack's current right? Its sign and scale against a clamp meter's reading.

A flipped sign or a scale off by ten is the usual mistake of a new map, and the worst: headroom is
worked out from measured currents.
"""

from attrs import frozen

LEAST_MA = 5_000  # with less, a meter's own error drowns the answer (common practice, no source)
NEAR = 0.15  # relative: close enough to tell a wrong scale from a wrong sensor
FINE = 0.03  # relative: what sensors and clamp meters usually agree to (common practice, no source)


@frozen
class Verdict:
    """`fine`, in one sentence why (not), and what to do; "" for nothing."""

    fine: bool
    says: str
    remedy: str = ""


# factor (reported / measured), what it means, what to do
SCALES = (
    (-1.0, "the sign is flipped", 'set positive = "discharge" in its map (or take it out)'),
    (10.0, "ten times too much", "divide its scale by 10"),
    (0.1, "ten times too little", "multiply its scale by 10"),
    (100.0, "a hundred times too much", "divide its scale by 100"),
    (0.01, "a hundred times too little", "multiply its scale by 100"),
    (1_000.0, "a thousand times too much: mA taken for A", 'set unit = "mA"'),
    (0.001, "a thousand times too little: A taken for mA", 'set unit = "A"'),
    (2.0, "twice too much", "look whether two sensors or two packs are added up"),
    (0.5, "half of it", "look whether the meter is around two leads, or the pack has two"),
)


def judge(reported_ma: float, measured_ma: float) -> Verdict:
    """Compare what a pack reported with what was measured, charge positive in both [mA]."""
    if abs(measured_ma) < LEAST_MA:
        return Verdict(False, f"less than {LEAST_MA / 1_000:.0f} A flows: nothing can be told",
                       "switch on a charger or a load, and try again")  # fmt: skip
    ratio = reported_ma / measured_ma
    if abs(ratio - 1) <= FINE:
        return Verdict(True, f"agrees within {abs(ratio - 1):.1%}")
    for factor, says, remedy in SCALES:
        for sign in (1, -1) if factor > 0 else (1,):
            if abs(ratio / (sign * factor) - 1) <= NEAR:
                flipped = sign < 0
                also = ", and the sign is flipped" if flipped else ""
                return Verdict(
                    False, says + also, remedy + ("; turn the sign, too" if flipped else "")
                )
    if abs(ratio - 1) <= NEAR:
        tolerance = round(1_000 * abs(ratio - 1))
        return Verdict(False, f"off by {ratio - 1:+.1%}",
                       f"calibrate the sensor, or set sensor_tolerance_permille = {tolerance}")  # fmt: skip
    return Verdict(False, f"reported {reported_ma / 1_000:.1f} A, measured {measured_ma / 1_000:.1f} A:"
                   " neither a sign nor a scale explains it",
                   "look whether the map reads another quantity, or the meter another lead")  # fmt: skip
