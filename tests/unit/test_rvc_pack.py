"""Hearing a pack that speaks RV-C: what comes through, what ends it, whose frames count."""

import pytest

from adapters.rvc import statuses
from adapters.rvc.frames import EXTENDED, NO, STATUS_4, STATUS_6, YES, identifier
from adapters.rvc.opposite import pack_frames
from adapters.rvc.pack import RvcPack
from adapters.rvc.settings import HearsRvc
from aggregator import PackReport

SAID = {
    "voltage_mv": 53_123,
    "current_ma": -42_501,
    "temperature_min_decic": 220,
    "temperature_max_decic": 220,
    "soc_permille": 875,
    "soh_permille": 1_000,
    "capacity_mah": 300_000,
    "charge_allowed": True,
    "discharge_allowed": True,
    "charge_path_closed": True,
    "discharge_path_closed": False,
    "charge_voltage_limit_mv": 56_000,
    "charge_current_limit_ma": 100_000,
}
LIMIT_MA = 80_000


def pack() -> RvcPack:
    """A talker that hears instance 10 as oak."""
    talker = HearsRvc(pack="oak", instance=10, discharge_limit_ma=LIMIT_MA).talker()
    talker.opened(0)
    return talker


def hear(talker: RvcPack, frames: list[tuple[int, bytes]], now_ms: int) -> list[dict[str, object]]:
    """The reports that frames make."""
    return [
        {name: getattr(report, name) for name in PackReport.__slots__}
        for frame in frames
        for report in talker.received(frame, now_ms)
    ]


def frames(source: int = 70, priority: int = 120, **changes: object) -> list[tuple[int, bytes]]:
    """What a pack says."""
    said = PackReport("oak", 1, **(SAID | changes))  # type: ignore[arg-type]  # fields of a report
    return pack_frames(said, 10, priority, source)


def flags(*places: tuple[int, int]) -> tuple[int, bytes]:
    """STATUS_6 with some flags."""
    data = bytearray([10, 120] + [0xFF] * 6)
    statuses.clear_6(data, NO)
    for place in places:
        statuses.set_6(data, place, YES)
    return identifier(STATUS_6, 70), bytes(data)


def test_what_a_pack_says_comes_through() -> None:
    """One report for each round, with all that RV-C can tell; the rest is unknown."""
    talker = pack()
    (report,) = hear(talker, frames(), 1_000)
    known = {name: value for name, value in report.items() if value is not None}
    assert known == SAID | {
        "pack": "oak", "sample": 1, "age_ms": 0, "warnings": [], "protections": [],
        "discharge_current_limit_ma": LIMIT_MA,
    }  # fmt: skip
    (report,) = hear(talker, frames(), 1_500)
    assert report["sample"] == 2


def test_it_waits_for_voltage_and_current() -> None:
    """No report without STATUS_1."""
    assert hear(pack(), frames()[:-1], 0) == []


def test_goals_that_come_no_more_are_unknown() -> None:
    """A pack whose STATUS_4 and 6 fall silent has no limit: twice the longest gap later."""
    talker = pack()
    hear(talker, frames(), 0)
    only_one = frames()[-1:]
    for now_ms in range(500, 10_001, 500):
        (report,) = hear(talker, only_one, now_ms)
    assert report["charge_current_limit_ma"] == 100_000
    (report,) = hear(talker, only_one, 10_500)
    assert report["charge_current_limit_ma"] is None
    assert report["charge_allowed"] is None
    assert report["soc_permille"] is None


def test_flags_that_come_no_more_lift_nothing() -> None:
    """A stop told by STATUS_6 does not end because STATUS_6 ends: then both limits are unknown."""
    talker = pack()
    hear(talker, [*frames(), flags(statuses.HIGH_TEMPERATURE)], 1_000)
    rest = [one for one in frames() if one[0] != identifier(STATUS_6, 70)]
    for now_ms in range(1_500, 30_000, 500):
        for report in hear(talker, rest, now_ms):
            assert not report["charge_current_limit_ma"]
            assert not report["discharge_current_limit_ma"]


def test_bad_news_does_not_wait() -> None:
    """ "Do not charge" and limits reached are told at once, with the reading's age."""
    talker = pack()
    hear(talker, frames(), 0)
    (report,) = hear(talker, frames(charge_allowed=False)[:1], 300)
    assert report["charge_allowed"] is False
    assert report["charge_current_limit_ma"] == 0
    assert (report["age_ms"], report["sample"]) == (300, 2)
    (report,) = hear(talker, [flags(statuses.LOW_VOLTAGE)], 400)
    assert report["discharge_allowed"] is False
    assert report["discharge_current_limit_ma"] == 0
    assert report["warnings"] == ["pack_under_voltage"]
    assert hear(talker, frames()[:1], 450) == []


@pytest.mark.source("RV-C-2023", "6.5.7: direction of temperature and current flags")
@pytest.mark.parametrize(
    ("place", "current_ma", "charge", "discharge"),
    [
        (statuses.HIGH_VOLTAGE, -1_000, False, True),
        (statuses.HIGH_VOLTAGE_OFF, 0, False, True),
        (statuses.LOW_VOLTAGE, 5_000, True, False),
        (statuses.LOW_CHARGE, 5_000, True, False),
        (statuses.LOW_TEMPERATURE, 5_000, False, True),
        (statuses.HIGH_TEMPERATURE, 0, False, False),
        (statuses.HIGH_CURRENT, -5_000, False, False),
        (statuses.HIGH_CURRENT_OFF, None, False, False),
    ],
)
def test_flags_stop_what_they_mean(
    place: tuple[int, int], current_ma: int | None, charge: bool, discharge: bool
) -> None:
    """Each flag stops its direction; where none is told, both, unless current flows in."""
    talker = pack()
    hear(talker, frames(), 0)
    said = frames(current_ma=current_ma)
    (report,) = hear(talker, [*said[:1], flags(place), *said[2:]], 500)[-1:]
    assert (report["charge_allowed"], report["discharge_allowed"]) == (charge, discharge)
    assert (report["charge_current_limit_ma"] == 0) == (not charge)
    assert (report["discharge_current_limit_ma"] == 0) == (not discharge)


def test_the_source_that_goes_first_counts() -> None:
    """Frames of a lower source are passed over until the higher one was silent for 6 s."""
    talker = pack()
    assert len(hear(talker, frames(), 0)) == 1
    assert hear(talker, frames(source=200, priority=100), 100) == []
    assert hear(talker, frames(source=69), 200) == []
    (report,) = hear(talker, frames(source=71, voltage_mv=53_000), 300)
    assert report["voltage_mv"] == 53_000
    assert hear(talker, frames(), 6_299) == []
    assert len(hear(talker, frames(source=60, priority=5), 6_300)) == 1


def test_another_source_is_heard_anew() -> None:
    """Nothing of the last source is mixed with the next one's words."""
    talker = pack()
    hear(talker, frames(), 0)
    (report,) = hear(talker, frames(source=71)[-1:], 100)
    assert report["charge_current_limit_ma"] is None
    assert report["soc_permille"] is None


def test_the_owners_charge_limit_counts_for_a_pack_without_goals() -> None:
    """A pack that never says STATUS_4 gets the owner's figure, once that is sure; one that stops
    saying it gets none."""
    talker = RvcPack("oak", 10, charge_limit_ma=30_000)
    talker.opened(0)
    quiet = [frame for frame in frames() if (frame[0] >> 8 & 0x1FFFF) != STATUS_4]
    (report,) = hear(talker, quiet, 0)
    assert report["charge_current_limit_ma"] is None
    (report,) = hear(talker, quiet, 10_001)
    assert report["charge_current_limit_ma"] == 30_000
    hear(talker, frames(), 11_000)
    (report,) = hear(talker, quiet, 22_000)
    assert report["charge_current_limit_ma"] is None


def test_other_instances_and_other_buses_are_passed_over() -> None:
    """Neither another DC instance nor a frame of 11 bits is an error; half a frame is."""
    talker = pack()
    other = [(number, bytes([11]) + data[1:]) for number, data in frames()]
    assert hear(talker, [*other, (0x123, b"")], 0) == []
    assert talker.counts.refused == 0
    number, data = frames()[-1]
    assert hear(talker, [(number, data[:2]), (EXTENDED, bytes(9))], 0) == []  # type: ignore[list-item]
    assert talker.counts.refused == 2


def test_settings_name_what_is_wrong() -> None:
    """Settings out of range are refused in words."""
    with pytest.raises(ValueError, match=r"1\.\.250, a DC instance"):
        HearsRvc(pack="oak", instance=0)
