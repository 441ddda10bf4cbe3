"""Limits fall at once and rise slowly: at most one nominal step of rise a call.

The position of a limit is its value plus `carry` thousandths; whole units are paid out, the rest
is carried, so that a slow ramp is not lost to rounding. A limit that something else holds down
starts its next rise from exactly there (`carry` 0, see limits.py).
"""


def climb(side: object, rate_per_s: int, dt_ms: int, nominal_ms: int, held: bool) -> None:
    """Set how far `side` (a Direction or VoltageSide) may rise in this step.

    `rate_per_s`: units a second; `dt_ms`: since the last step; `held`: nothing may rise now.
    """
    side.previous = side.value  # type: ignore[attr-defined]  # one shape, two classes
    if held:
        side.ramp_to = side.value  # type: ignore[attr-defined]
        return
    earned = side.carry + rate_per_s * min(dt_ms, nominal_ms)  # type: ignore[attr-defined]
    side.carry = earned % 1_000  # type: ignore[attr-defined]
    side.ramp_to = side.value + earned // 1_000  # type: ignore[attr-defined]
