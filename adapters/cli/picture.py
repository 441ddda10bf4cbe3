"""A day as a picture: every current against its own limit, cells, charge, stages and the caps.

Needs matplotlib (extra: plot). Told apart by line style and hatching as well as by colour, so that
it reads in grey; colours after Okabe and Ito, "Color Universal Design", 2008.
"""

from pathlib import Path
from typing import Any

from attrs import define, field

from adapters.cli import words
from aggregator import Aggregator, SystemView
from conformance.plant.scenario import Scenario
from conformance.plant.world import World

EVERY_S = 60.0
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
STYLES = ("-", "--", "-.", ":", (0, (5, 1)), (0, (3, 1, 1, 1)))
HATCHES = {"bulk": "///", "absorption": "xxx", "float": "...", "paused": ""}


@define
class Trace:
    """A day, sampled: the peak of each interval for currents, the last value for the rest."""

    scenario: Scenario
    hours: list[float] = field(factory=list)
    total_a: list[float] = field(factory=list)
    limit_a: list[float] = field(factory=list)
    parts: list[list[float]] = field(factory=list)  # each pack, percent of its own limit
    high_v: list[float] = field(factory=list)
    low_v: list[float] = field(factory=list)
    charge: list[float] = field(factory=list)
    stages: list[str] = field(factory=list)
    rules: list[str] = field(factory=list)
    _peaks: list[float] = field(factory=list)

    def look(self, world: World, bank: Aggregator, view: SystemView) -> None:
        """Observe one step of the day."""
        if not self.parts:
            self.parts = [[] for _ in world.packs]
            self._peaks = [0.0] * len(world.packs)
        for i, (pack, board) in enumerate(zip(world.packs, world.boards, strict=True)):
            amps = pack.current_a
            limit = board.charge_limit_a if amps > 0 else board.discharge_limit_a
            part = 100 * amps / max(limit, 5.0)
            if abs(part) > abs(self._peaks[i]):
                self._peaks[i] = part
        if world.now_s % EVERY_S >= 1.0:
            return
        self.hours.append((self.scenario.start_s + world.now_s) / 3_600)
        self.total_a.append(world.total_a)
        self.limit_a.append(view.charge_current_limit_ma / 1_000)
        for i, peak in enumerate(self._peaks):
            self.parts[i].append(peak)
            self._peaks[i] = 0.0
        self.high_v.append(max(pack.high_v for pack in world.packs))
        self.low_v.append(min(pack.low_v for pack in world.packs))
        self.charge.append(100 * sum(p.mean_charge() for p in world.packs) / len(world.packs))
        self.stages.append(view.stage)
        self.rules.append(view.charge_current_rule)


def draw(trace: Trace, path: Path) -> None:
    """Write the picture. Raises ModuleNotFoundError without matplotlib, OSError if it cannot."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(
        5, 1, figsize=(11, 10.5), sharex=True, height_ratios=[3, 3, 2, 2, 0.5], layout="constrained"
    )
    figure.suptitle(trace.scenario.title, fontsize=12)
    _draw_bank(axes[0], trace)
    _draw_packs(axes[1], trace)
    _draw_cells(axes[2], trace)
    _draw_charge(axes[3], trace)
    _draw_caps(axes[4], trace)
    axes[4].set_xticks(range(0, 24 * 7 + 1, 3))
    axes[4].set_xlabel("time of day, h")
    axes[4].set_xlim(trace.hours[0], trace.hours[-1])
    figure.savefig(path, dpi=90, metadata={"Software": None})
    pyplot.close(figure)


def _draw_bank(axes: Any, trace: Trace) -> None:
    axes.plot(trace.hours, trace.limit_a, "--", color="black", lw=1, label="charge limit")
    axes.plot(trace.hours, trace.total_a, color=COLOURS[0], lw=1.2, label="bank current")
    axes.axhline(0, color="0.6", lw=0.6)
    axes.set_ylabel("bank, A\n(charging up)")
    axes.legend(loc="upper right", fontsize=8, ncols=2)


def _draw_packs(axes: Any, trace: Trace) -> None:
    for i, part in enumerate(trace.parts):
        name = trace.scenario.packs[i].pack
        style = STYLES[i % len(STYLES)]
        colour = COLOURS[i % len(COLOURS)]
        axes.plot(trace.hours, part, linestyle=style, color=colour, lw=1.2, label=name)
    axes.axhline(100, color="black", lw=0.8)
    axes.annotate("a pack's own limit", (trace.hours[0], 100), xytext=(4, 3),
                  textcoords="offset points", fontsize=8)  # fmt: skip
    axes.axhline(0, color="0.6", lw=0.6)
    axes.set_ylabel("each pack's current,\n% of its own limit")
    axes.legend(loc="upper right", fontsize=8, ncols=len(trace.parts))


def _draw_cells(axes: Any, trace: Trace) -> None:
    axes.plot(trace.hours, trace.high_v, color=COLOURS[1], lw=1.2, label="highest cell")
    axes.plot(trace.hours, trace.low_v, "--", color=COLOURS[0], lw=1.2, label="lowest cell")
    axes.set_ylabel("cells, V")
    axes.legend(loc="upper right", fontsize=8, ncols=2)


def _runs(values: list[str]) -> list[tuple[int, int, str]]:
    """Return (first, last + 1, value) of each run of equal values."""
    runs = []
    start = 0
    for i in range(1, len(values) + 1):
        if i == len(values) or values[i] != values[start]:
            runs.append((start, i, values[start]))
            start = i
    return runs


def _draw_charge(axes: Any, trace: Trace) -> None:
    axes.set_ylim(0, 105)
    step_h = EVERY_S / 3_600
    for start, end, stage in _runs(trace.stages):
        left = trace.hours[start]
        right = trace.hours[end - 1] + step_h
        axes.axvspan(left, right, facecolor="none", edgecolor="0.8", hatch=HATCHES[stage], lw=0)
        if right - left > 0.9:
            axes.text((left + right) / 2, 6, words.STAGES[stage], ha="center", fontsize=9,
                      bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5})  # fmt: skip
        elif stage == "absorption":
            axes.annotate(words.STAGES[stage], (left, 6), xytext=(-6, 0), fontsize=9, ha="right",
                          textcoords="offset points",
                          bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5})  # fmt: skip
    axes.plot(trace.hours, trace.charge, color="black", lw=1.4)
    axes.set_ylabel("charge, %\nand stage")


def _draw_caps(axes: Any, trace: Trace) -> None:
    """The rule that bound the charge current, as a strip with a legend in plain words."""
    from matplotlib.patches import Patch

    order = sorted(set(trace.rules), key=trace.rules.count, reverse=True)
    fills = ("white", "0.80", "0.55", "0.30", "0.90", "0.65", "0.45", "0.15")
    marks = ("", "///", "", "", "xxx", "...", "\\\\\\", "")
    look = {r: (fills[i % len(fills)], marks[i % len(marks)]) for i, r in enumerate(order)}
    step_h = EVERY_S / 3_600
    for start, end, rule in _runs(trace.rules):
        fill, mark = look[rule]
        axes.axvspan(trace.hours[start], trace.hours[end - 1] + step_h, facecolor=fill,
                     hatch=mark, edgecolor="0.4", lw=0)  # fmt: skip
    axes.set_yticks([])
    axes.set_ylabel("held\nby", rotation=0, va="center", labelpad=16)
    handles = [
        Patch(facecolor=fill, hatch=mark, edgecolor="0.4", label=words.RULES[rule])
        for rule, (fill, mark) in look.items()
    ]
    axes.legend(
        handles=handles, loc="upper center", bbox_to_anchor=(0.5, -1.1), fontsize=8, ncols=4
    )
