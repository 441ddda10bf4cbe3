"""Banks that obey superposition, for the properties of headroom.

Pack i carries I_i = s_i * I + c_i: packs in parallel are a linear network, so any extra total
splits by conductance, whatever the voltages (Millman's theorem; trade.md is not needed to see it:
it is Kirchhoff's and Ohm's law). s_i > 0 with sum 1, c_i with sum 0 are unknown to the core. All
numbers are integers: s_i = weight_i / sum of weights, and truth is compared without rounding.
"""

from __future__ import annotations

from hypothesis import strategies as st

from aggregator import Aggregator, BankSettings, PackReport, PackSettings

FREE = {  # nothing but headroom, contributions and the ramp limits the current
    "margin_permille": 0,
    "recovery_samples": 1,
    "reenable_ms": 0,
    "path_settle_ms": 0,
    "ramp_permille_per_s": 1_000,
}
NO_CURVES = {
    "charge_temperature_curve": (),
    "discharge_temperature_curve": (),
    "charge_cell_curve": (),
    "discharge_cell_curve": (),
}
NAMES = ("a", "b", "c", "d", "e", "f")


class LinearBank:
    """The truth about a bank: weights (conductances), offsets [mA] at no total, limits [mA]."""

    def __init__(self, weights: list[int], offsets_ma: list[int], limits_ma: list[int]) -> None:
        self.weights = weights
        self.offsets_ma = offsets_ma
        self.limits_ma = limits_ma
        self.whole = sum(weights)
        self.names = NAMES[: len(weights)]

    def __repr__(self) -> str:
        return f"LinearBank({self.weights}, {self.offsets_ma}, {self.limits_ma})"

    def reading_ma(self, i: int, total_ma: int) -> int:
        """What pack i carries, rounded down to the mA that a report can say."""
        return total_ma * self.weights[i] // self.whole + self.offsets_ma[i]

    def over(self, i: int, total_ma: int, limit_ma: int) -> bool:
        """Is pack i, exactly, above `limit_ma`?"""
        flow = total_ma * self.weights[i] + self.offsets_ma[i] * self.whole
        return flow > limit_ma * self.whole

    def most_ma(self, keep_permille: int = 1_000) -> int:
        """The true largest total that keeps every pack within its limit (rounded down)."""
        return min(
            (limit_ma * keep_permille // 1_000 - offset_ma) * self.whole // weight
            for weight, offset_ma, limit_ma in zip(
                self.weights, self.offsets_ma, self.limits_ma, strict=True
            )
        )


@st.composite
def linear_banks(draw, least=2, most=6, ratio=None, circulating=True):
    """Banks whose packs are within their limits at no total. `ratio`: of largest to smallest
    resistance at most; None: anything."""
    count = draw(st.integers(least, most))
    if ratio is None:
        weight = st.one_of(st.integers(1, 10), st.integers(1, 10_000))
    else:
        weight = st.integers(100, 100 * ratio)
    weights = draw(st.lists(weight, min_size=count, max_size=count))
    limits = draw(st.lists(st.integers(10_000, 200_000), min_size=count, max_size=count))
    offsets = [0] * count
    if circulating:
        for i in range(count - 1):
            most_ma = min(limits[i], 60_000)
            offsets[i] = draw(st.integers(-most_ma, most_ma))
        offsets[-1] = -sum(offsets)
        if offsets[-1] > limits[-1]:  # spread what is too much for the last one
            offsets = [offset - (offset > 0) * offset for offset in offsets[:-1]]
            offsets.append(-sum(offsets))
            limits[-1] = max(limits[-1], offsets[-1])
    return LinearBank(weights, offsets, limits)


class Loop:
    """The core in a loop with a linear bank: reports, a step, a total."""

    def __init__(self, truth: LinearBank, **settings: object) -> None:
        self.truth = truth
        packs = [
            PackSettings(
                name,
                charge_current_ceiling_ma=limit_ma,
                discharge_current_ceiling_ma=limit_ma,
                **NO_CURVES,
            )
            for name, limit_ma in zip(truth.names, truth.limits_ma, strict=True)
        ]
        self.core = Aggregator(BankSettings(packs, **{**FREE, **settings}))  # type: ignore[arg-type]
        self.now_ms = 0
        self.sample = 0

    def report(self, i: int, total_ma: int, age_ms: int = 0) -> None:
        """Pack i reports what it carried when the total was `total_ma`."""
        refusal = self.core.accept(
            PackReport(
                self.truth.names[i],
                self.sample & 0xFFFF,
                age_ms=age_ms,
                voltage_mv=52_800 + self.sample % 7,  # moves: not frozen
                current_ma=self.truth.reading_ma(i, total_ma),
                charge_allowed=True,
                discharge_allowed=True,
                charge_path_closed=True,
                discharge_path_closed=True,
                charge_current_limit_ma=self.truth.limits_ma[i],
                discharge_current_limit_ma=self.truth.limits_ma[i],
            ),
            self.now_ms,
        )
        assert refusal is None

    def turn(self, total_ma: int, dt_ms: int = 1_000) -> int:
        """One loop turn: every pack reports at this total, one step; return the charge limit."""
        self.now_ms += dt_ms
        self.sample += 1
        for i in range(len(self.truth.names)):
            self.report(i, total_ma)
        return self.core.step(self.now_ms).charge_current_limit_ma
