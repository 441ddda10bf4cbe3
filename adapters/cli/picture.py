"""A day as a picture: currents against their own limits, cells, charge, stages and caps.

Needs matplotlib (extra: plot). Told apart by line style and hatching as well as by colour, so that
it reads in grey; colours after Okabe and Ito, "Color Universal Design", 2008.
"""

from importlib.util import find_spec
from pathlib import Path
from typing import Any

from attrs import define, field

from adapters import words
from adapters.toml_file import BadFileError
from aggregator import Aggregator, SystemView
from conformance.plant.scenario import Scenario
from conformance.plant.world import World

SAMPLES = 1_440  # of a whole picture
SMALL_A = 5.0  # a limit this small is not what a percentage of it should be taken of
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
STYLES = ("-", "--", "-.", ":", (0, (5, 1)), (0, (3, 1, 1, 1)))
HATCHES = {"bulk": "///", "absorption": "xxx", "float": "...", "paused": ""}
# How a rule is filled in the strips: grey, hatching; the one that bound longest first.
FILLS = (("white", ""), ("0.85", "///"), ("0.55", ""), ("0.1", ""), ("white", "..."),
         ("0.75", "xxx"), ("0.55", "\\\\\\"), ("0.9", "++"))  # fmt: skip
INCHES = (11, 11.5)
DOTS_PER_INCH = 90
NEEDED = "--plot needs matplotlib: pip install 'packyoke[plot]'"
MOST_TICKS = 12
TICKS_H = (1 / 12, 0.25, 0.5, 1, 3, 6, 12, 24)
NARROW = 0.05  # a stage that takes less of the width has its name beside it


@define
class Trace:
    """A day, sampled: the peak of each interval for packs' currents, the last value for the rest."""

    scenario: Scenario
    hours: list[float] = field(factory=list)
    total_a: list[float] = field(factory=list)
    charge_limit_a: list[float] = field(factory=list)
    discharge_limit_a: list[float] = field(factory=list)
    parts: list[list[float]] = field(factory=list)  # each pack, percent of its own limit
    high_v: list[float] = field(factory=list)
    low_v: list[float] = field(factory=list)
    charges: list[list[float]] = field(factory=list)  # each pack, percent
    stages: list[str] = field(factory=list)
    current_rules: list[str] = field(factory=list)
    voltage_rules: list[str] = field(factory=list)
    every_s: float = 0.0
    _peaks: list[float] = field(factory=list)

    def __attrs_post_init__(self) -> None:
        self.every_s = max(1.0, self.scenario.duration_s // SAMPLES)

    def look(self, world: World, bank: Aggregator, view: SystemView) -> None:
        """Observe one step of the day."""
        if not self.parts:
            self.parts = [[] for _ in world.packs]
            self.charges = [[] for _ in world.packs]
            self._peaks = [0.0] * len(world.packs)
        for i, (pack, board) in enumerate(zip(world.packs, world.boards, strict=True)):
            amps = pack.current_a
            limit = board.charge_limit_a if amps > 0 else board.discharge_limit_a
            part = 100 * amps / max(limit, SMALL_A)
            if abs(part) > abs(self._peaks[i]):
                self._peaks[i] = part
        if world.now_s % self.every_s >= 1.0:
            return
        self.hours.append((self.scenario.start_s + world.now_s) / 3_600)
        self.total_a.append(world.total_a)
        self.charge_limit_a.append(view.charge_current_limit_ma / 1_000)
        self.discharge_limit_a.append(-view.discharge_current_limit_ma / 1_000)
        for i, pack in enumerate(world.packs):
            self.parts[i].append(self._peaks[i])
            self.charges[i].append(100 * pack.mean_charge())
            self._peaks[i] = 0.0
        self.high_v.append(max(pack.high_v for pack in world.packs))
        self.low_v.append(min(pack.low_v for pack in world.packs))
        self.stages.append(view.stage)
        self.current_rules.append(view.charge_current_rule)
        self.voltage_rules.append(view.charge_voltage_rule)


def can_draw(path: Path) -> None:
    """Raise BadFileError if a picture could not be written there: before the day, not after."""
    if find_spec("matplotlib") is None:
        raise BadFileError([NEEDED], unreadable=True)
    if not path.parent.is_dir():
        raise BadFileError([f"{path}: cannot be written: no such folder"], unreadable=True)
    if path.suffix.lower() != ".png":
        raise BadFileError([f"{path}: expected a name that ends in .png"])


def draw(trace: Trace, path: Path) -> None:
    """Write the picture. Raises OSError if it cannot be written."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot
    from matplotlib.ticker import MultipleLocator
    from PIL import Image

    figure, axes = pyplot.subplots(
        6, 1, figsize=INCHES, sharex=True, height_ratios=[3, 3, 2, 2.4, 0.45, 0.45],
        layout="constrained",
    )  # fmt: skip
    figure.suptitle(f"simulated: {trace.scenario.title}", fontsize=12)
    _draw_bank(axes[0], trace)
    _draw_packs(axes[1], trace)
    _draw_cells(axes[2], trace)
    _draw_charge(axes[3], trace)
    look = _looks(trace)
    _draw_caps(axes[4], trace.hours, trace.current_rules, "charge\ncurrent", look)
    _draw_caps(axes[5], trace.hours, trace.voltage_rules, "charge\nvoltage", look)
    _draw_legend(axes[5], look)
    axes[5].set_xlabel("time of day")
    start_h = trace.scenario.start_s / 3_600
    axes[5].set_xlim(start_h, trace.hours[-1])
    span_h = trace.hours[-1] - start_h
    tick_h = next((tick for tick in TICKS_H if span_h / tick <= MOST_TICKS), TICKS_H[-1])
    axes[5].xaxis.set_major_locator(MultipleLocator(tick_h))
    axes[5].xaxis.set_major_formatter(lambda hour, _: words.clock(round(hour * 3_600)))
    figure.savefig(path, format="png", dpi=DOTS_PER_INCH, metadata={"Software": None})
    pyplot.close(figure)
    # Few colours are in it, so a palette makes the file a third the size.
    with Image.open(path) as full:
        few = full.convert("RGB").quantize(64, dither=Image.Dither.NONE)
    few.save(path, format="png", optimize=True)


def _draw_bank(axes: Any, trace: Trace) -> None:
    axes.plot(trace.hours, trace.charge_limit_a, "--", color="black", lw=1, label="charge limit")
    axes.plot(trace.hours, trace.discharge_limit_a, ":", color="black", lw=1.2,
              label="discharge limit")  # fmt: skip
    axes.plot(trace.hours, trace.total_a, color=COLOURS[0], lw=1.2, label="bank current")
    axes.axhline(0, color="0.6", lw=0.6)
    axes.set_ylabel("bank, A\nin (+), out (-)")
    _headroom(axes)
    axes.legend(loc="upper right", fontsize=8, ncols=3)


def _headroom(axes: Any) -> None:
    """Make room for a legend above the lines."""
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.18 * (high - low))


def _draw_each(axes: Any, trace: Trace, values: list[list[float]]) -> None:
    for i, part in enumerate(values):
        axes.plot(trace.hours, part, linestyle=STYLES[i % len(STYLES)], lw=1.4,
                  color=COLOURS[i % len(COLOURS)], label=trace.scenario.packs[i].pack)  # fmt: skip


def _draw_packs(axes: Any, trace: Trace) -> None:
    _draw_each(axes, trace, trace.parts)
    highest = max(max(part) for part in trace.parts)
    axes.set_ylim(top=max(125, 1.1 * highest))
    axes.axhline(100, color="black", lw=0.8)
    axes.annotate("its own limit", (trace.hours[0], 100), xytext=(4, 3),
                  textcoords="offset points", fontsize=8)  # fmt: skip
    axes.axhline(0, color="0.6", lw=0.6)
    axes.set_ylabel("each pack's current,\n% of its own limit")
    axes.legend(loc="upper right", fontsize=8, ncols=len(trace.parts))


def _draw_cells(axes: Any, trace: Trace) -> None:
    axes.plot(trace.hours, trace.high_v, color=COLOURS[1], lw=1.2, label="highest cell")
    axes.plot(trace.hours, trace.low_v, "--", color=COLOURS[0], lw=1.2, label="lowest cell")
    axes.set_ylabel("cells, V")
    _headroom(axes)
    axes.legend(loc="upper right", fontsize=8, ncols=2)


def _runs(trace_hours: list[float], values: list[str]) -> list[tuple[float, float, str]]:
    """Return (from, to, value) of each run of equal values; times in h."""
    runs = []
    start = 0
    for i in range(1, len(values) + 1):
        if i == len(values) or values[i] != values[start]:
            end_h = trace_hours[i] if i < len(values) else trace_hours[-1]
            runs.append((trace_hours[start], end_h, values[start]))
            start = i
    return runs


def _draw_charge(axes: Any, trace: Trace) -> None:
    axes.set_ylim(0, 118)
    span_h = trace.hours[-1] - trace.hours[0]
    box = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
    for left, right, stage in _runs(trace.hours, trace.stages):
        axes.axvspan(left, right, facecolor="none", edgecolor="0.8", hatch=HATCHES[stage], lw=0)
        axes.axvline(left, color="0.5", lw=0.6)
        middle, name = (left + right) / 2, words.STAGES[stage]
        if right - left > NARROW * span_h:
            axes.text(middle, 109, name, ha="center", va="center", fontsize=9, bbox=box)
        elif stage == "absorption":
            axes.annotate(name, (middle, 109), xytext=(28, -38), textcoords="offset points",
                          fontsize=9, va="center", bbox=box,
                          arrowprops={"arrowstyle": "-", "lw": 0.8})  # fmt: skip
    _draw_each(axes, trace, trace.charges)
    axes.set_ylabel("each pack's charge, %\nand the stage")


def _looks(trace: Trace) -> dict[str, tuple[str, str]]:
    """Return grey and hatching for each rule in plain words, as several rules share words."""
    bound = [words.RULES[rule] for rule in trace.current_rules + trace.voltage_rules]
    order = sorted(set(bound), key=lambda name: (-bound.count(name), name))
    return {name: FILLS[i % len(FILLS)] for i, name in enumerate(order)}


def _draw_caps(
    axes: Any, hours: list[float], rules: list[str], label: str, look: dict[str, tuple[str, str]]
) -> None:
    """Draw the rule that bound a limit as a strip."""
    for left, right, rule in _runs(hours, rules):
        grey, hatch = look[words.RULES[rule]]
        axes.axvspan(left, right, facecolor=grey, hatch=hatch, edgecolor="0.4", lw=0)
    axes.set_yticks([])
    axes.set_ylabel(f"{label}\nheld by", rotation=0, va="center", ha="right", fontsize=8)


def _draw_legend(axes: Any, look: dict[str, tuple[str, str]]) -> None:
    from matplotlib.patches import Patch

    handles = [
        Patch(facecolor=grey, hatch=hatch, edgecolor="0.4", label=name)
        for name, (grey, hatch) in look.items()
    ]
    axes.legend(
        handles=handles, loc="upper center", bbox_to_anchor=(0.45, -1.3), fontsize=8, ncols=3
    )
