"""What came of a day on site, and how it is told."""

from collections.abc import Iterator

from attrs import define, field


@define
class PackPeak:
    """How hard a pack was driven: the most, in percent of its own limit at that moment."""

    percent: float = 0.0
    at_s: float = 0.0
    while_broken: str = ""  # what was out of order then
    over_102_s: float = 0.0


@define
class SiteDay:
    """What came of a day."""

    lasted_s: float = 0.0
    peaks: dict[str, PackPeak] = field(factory=dict)
    trips: list[str] = field(factory=list)  # boards that had to protect, and how it was then
    charged_kwh: float = 0.0
    charge_at_end: dict[str, float] = field(factory=dict)
    stages: list[str] = field(factory=list)
    faults: dict[str, int] = field(factory=dict)
    obeyed: dict[str, int] = field(factory=dict)  # how often each charger heard something
    events: list[dict[str, object]] = field(factory=list)  # the gateway's journal


def lines(result: SiteDay) -> Iterator[str]:
    """Yield a day's result for people."""
    yield f"{result.lasted_s / 60:.0f} min of the plant's time, {result.charged_kwh:.2f} kWh charged"
    yield f"stages: {', '.join(result.stages)}; boards that had to protect: {len(result.trips)}"
    yield from (f"  {trip}" for trip in result.trips)
    for name, peak in result.peaks.items():
        broken = f" ({peak.while_broken} broken)" if peak.while_broken else ""
        yield (f"  {name}: at most {peak.percent:.1f} % of its own limit, at minute {peak.at_s / 60:.0f}"
               f"{broken}, above 102 % for {peak.over_102_s:.0f} s, {100 * result.charge_at_end[name]:.0f} % full at the end")  # fmt: skip
    faults = ", ".join(f"{name} {count}" for name, count in sorted(result.faults.items()))
    yield f"faults: {faults or 'none'}; chargers heard: {result.obeyed}"
