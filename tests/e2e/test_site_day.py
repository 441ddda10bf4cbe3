"""A short piece of a day on site: four buses, the gateway's own process, two chargers that obey.

The long one is `python -m tests.day --check`; see tests/day/.
"""

from pathlib import Path

from tests.day.__main__ import MOST_PERCENT
from tests.day.run import site_day


def test_packs_on_four_buses_are_one_battery_to_two_chargers(tmp_path: Path) -> None:
    """With lines cut, bytes garbled, the broker killed: no board has to protect its pack, none goes
    far above its own limit, and nothing of ours fails."""
    result = site_day(tmp_path, seed=4, minutes=8, speed=30, faults=True)
    told = [str(event.get("text", event)) for event in result.events]
    ours = [event for event in result.events if event["event"] in ("crash", "link_failed")]
    assert ours == []
    assert result.trips == []
    assert {
        name: peak.percent
        for name, peak in result.peaks.items()
        if peak.percent > MOST_PERCENT["faults"]
    } == {}
    assert "bulk" in result.stages
    assert result.charged_kwh > 0.1
    assert set(result.obeyed) == {"rv-c", "sunspec"}
    assert result.faults
    assert told[-1] == "stopped"
