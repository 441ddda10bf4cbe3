"""A bank as physics has it: whatever a bridge says, no pack may carry more than its own limit.

Packs in parallel share a total I as `I_i = s_i I + c_i`: s_i by conductance, c_i circulating
between them, both unknown to the bridge and fixed here, as is each pack's limit. Source: Millman's
theorem with a current injection, docs/explanation/headroom.md.
"""

from fractions import Fraction

from attrs import frozen

from conformance.oracle.breach import Breach

SLACK_MA = 50  # readings are rounded to 1 mA


@frozen
class Parallel:
    """`weights`: conductances, in any unit; `circulating_ma`: at no total, summing up to 0."""

    names: tuple[str, ...]
    weights: tuple[int, ...]
    circulating_ma: tuple[int, ...]
    charge_limits_ma: tuple[int, ...]
    discharge_limits_ma: tuple[int, ...]

    def currents_ma(self, total_ma: Fraction) -> list[Fraction]:
        """Return each pack's current at a total, positive: charging."""
        whole = sum(self.weights)
        return [
            total_ma * weight / whole + circulating
            for weight, circulating in zip(self.weights, self.circulating_ma, strict=True)
        ]

    def safe_total_ma(self, side: str) -> Fraction:
        """Return the largest total in a direction at which no pack passes its limit."""
        sign = 1 if side == "charge" else -1
        limits = self.charge_limits_ma if side == "charge" else self.discharge_limits_ma
        whole = sum(self.weights)
        return min(
            Fraction((limit - sign * circulating) * whole, weight)
            for limit, circulating, weight in zip(
                limits, self.circulating_ma, self.weights, strict=True
            )
        )


def overload(bank: Parallel, total_ma: Fraction, at_ms: int) -> Breach | None:
    """Return the breach if the bank carries a total that a bridge allowed, and a pack suffers."""
    side = "charge" if total_ma >= 0 else "discharge"
    sign = 1 if side == "charge" else -1
    limits = bank.charge_limits_ma if side == "charge" else bank.discharge_limits_ma
    for name, current, limit in zip(bank.names, bank.currents_ma(total_ma), limits, strict=True):
        if sign * current > limit + SLACK_MA:
            text = (
                f"at the {side} total of {int(abs(total_ma))} mA that you allowed, {name} carries"
                f" {int(sign * current)} mA, and may carry {limit} mA"
            )
            most = int(bank.safe_total_ma(side))
            field = f"view.{side}_current_limit_ma"
            return Breach("REQ-LIM-05", at_ms, text, field, "le", most + SLACK_MA)
    return None
