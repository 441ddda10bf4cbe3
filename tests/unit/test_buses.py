"""Stories on buses, with a clock of their own: our bank passes, and each mistake is found by one."""

from typing import Any

import pytest

from aggregator import BankSettings, PackSettings
from conformance.buses.stories import STORIES
from conformance.requirements import BY_ID
from tests.rigs.simulated import SETTINGS, TOLD, SimulatedRig, Spoils, judged

Plain = dict[str, Any]


def honest(rig: SimulatedRig, told: Plain) -> Plain:
    """The bank as it is."""
    return told


def sums_up(rig: SimulatedRig, told: Plain) -> Plain:
    """Adds up the limits of those that speak, whatever they carry."""
    limits = [
        said["charge_current_limit_ma"] for pack, said in rig.last.items() if rig.speaks(pack)
    ]
    return {**told, "charge_current_limit_ma": sum(limits), "charge_allowed": sum(limits) > 0}


def outvotes(rig: SimulatedRig, told: Plain) -> Plain:
    """Charges as long as anybody allows it."""
    if any(said["charge_allowed"] for said in rig.last.values()):
        return {**told, "charge_current_limit_ma": 50_000, "charge_allowed": True}
    return told


def forgets_nobody(rig: SimulatedRig, told: Plain) -> Plain:
    """Goes by the last word of a silent pack for ever."""
    least = min(said["charge_current_limit_ma"] for said in rig.last.values())
    return {**told, "charge_current_limit_ma": least, "charge_allowed": least > 0}


def forgets_the_silent(rig: SimulatedRig, told: Plain) -> Plain:
    """Goes by those that speak."""
    limits = [
        said["charge_current_limit_ma"] for pack, said in rig.last.items() if rig.speaks(pack)
    ]
    return {**told, "charge_current_limit_ma": min(limits, default=0)}


def permits_nothing_loudly(rig: SimulatedRig, told: Plain) -> Plain:
    """A permission that stays beside a limit of 0."""
    return {**told, "charge_allowed": True}


def means_voltages(rig: SimulatedRig, told: Plain) -> Plain:
    """The mean of the packs' charge voltages."""
    own = [said["charge_voltage_limit_mv"] for said in rig.last.values()]
    return {**told, "charge_voltage_limit_mv": sum(own) // len(own)}


def least_low_voltage(rig: SimulatedRig, told: Plain) -> Plain:
    """The lowest of the packs' discharge voltages."""
    own = [said["discharge_voltage_limit_mv"] for said in rig.last.values()]
    return {**told, "discharge_voltage_limit_mv": min(own)}


def empties_on(rig: SimulatedRig, told: Plain) -> Plain:
    """Deaf to refusals of discharge."""
    return {**told, "discharge_current_limit_ma": 80_000, "discharge_allowed": True}


def mixes_directions(rig: SimulatedRig, told: Plain) -> Plain:
    """Tells the charge limit for discharge."""
    most = sum(said["charge_current_limit_ma"] for said in rig.last.values())
    return {**told, "discharge_current_limit_ma": most, "discharge_allowed": most > 0}


def believes_noise(rig: SimulatedRig, told: Plain) -> Plain:
    """Takes noise for a high limit."""
    return {**told, "charge_current_limit_ma": 90_000} if rig.noisy else told


def allows_nothing(rig: SimulatedRig, told: Plain) -> Plain:
    """Safe, and of no use."""
    stopped = {name: 0 if name.endswith("_ma") else False for name in TOLD if "voltage" not in name}
    return told | stopped


def never_comes_back(rig: SimulatedRig, told: Plain) -> Plain:
    """Stays shut once it has been."""
    rig.noisy = rig.noisy or (told["charge_current_limit_ma"] == 0 and rig.now_ms > 20_000)
    return allows_nothing(rig, told) if rig.noisy else told


def shut_by_a_gap(rig: SimulatedRig, told: Plain) -> Plain:
    """Stays shut once a pack has missed a beat."""
    rig.noisy = rig.noisy or not all(rig.speaks(pack) for pack in rig.last)
    return allows_nothing(rig, told) if rig.noisy else told


def grants(name: str) -> PackSettings:
    """A pack that leaves something to the others while it is silent."""
    return PackSettings(name, unheard_charge_current_ma=20_000, unheard_discharge_current_ma=9_000)


@pytest.mark.parametrize(
    "bank",
    [
        SETTINGS,
        BankSettings([PackSettings("oak"), PackSettings("fir")]),
        BankSettings([grants("oak"), grants("fir")], margin_permille=0, cell_count=8),
        BankSettings([PackSettings("oak"), PackSettings("fir")], charger_limits="output",
                     survive_pack_loss="strict", discharge_sharing="learned"),
    ],
    ids=["fast", "as it comes", "granting", "otherwise"],
)  # fmt: skip
def test_our_bank_meets_everything(bank: BankSettings) -> None:
    """No story finds anything wrong, and none is left out, whatever the settings."""
    wrong = {
        name: one.detail for name, one in judged(honest, bank=bank).items() if one.verdict != "pass"
    }
    assert wrong == {}


def test_one_pack_is_a_bank() -> None:
    """Only the story of shared leads needs several."""
    verdicts = judged(honest, bank=BankSettings([PackSettings("oak")]))
    assert {name for name, one in verdicts.items() if one.verdict != "pass"} == {"BUS-005"}
    assert verdicts["BUS-005"].detail == "it does not support several packs"


@pytest.mark.parametrize(
    ("spoils", "story"),
    [
        (sums_up, "BUS-002"), (sums_up, "BUS-005"), (sums_up, "BUS-006"), (outvotes, "BUS-007"),
        (outvotes, "BUS-003"), (forgets_nobody, "BUS-011"), (forgets_the_silent, "BUS-010"),
        (permits_nothing_loudly, "BUS-009"), (means_voltages, "BUS-014"),
        (least_low_voltage, "BUS-015"), (empties_on, "BUS-008"), (mixes_directions, "BUS-004"),
        (believes_noise, "BUS-016"),
    ],
)  # fmt: skip
def test_a_mistake_misses_a_must(spoils: Spoils, story: str) -> None:
    """The story made for it finds each mistake, and tells what happened in words."""
    verdict = judged(spoils, story)[story]
    assert verdict.verdict == "must_missed"
    assert "REQ-" in verdict.detail
    assert "\n" in verdict.detail


@pytest.mark.parametrize(
    ("spoils", "story"),
    [(allows_nothing, "BUS-001"), (shut_by_a_gap, "BUS-012"), (never_comes_back, "BUS-013")],
)
def test_caution_misses_a_should(spoils: Spoils, story: str) -> None:
    """A bridge that stays shut meets every MUST, and is told that it is of little use."""
    assert judged(spoils, story)[story].verdict == "should_missed"


def test_every_must_is_met_by_allowing_nothing() -> None:
    """Safety can be had by doing nothing at all."""
    verdicts = judged(allows_nothing).values()
    assert {one.verdict for one in verdicts if one.case.level == "must"} == {"pass"}


def test_what_no_story_expects_is_seen_by_the_witness() -> None:
    """A limit above the installer's ceiling is found in whichever story it lasts."""

    def above_the_ceiling(rig: SimulatedRig, told: Plain) -> Plain:
        return {**told, "charge_voltage_limit_mv": 58_000}

    verdict = judged(above_the_ceiling, "BUS-002")["BUS-002"]
    assert verdict.verdict == "must_missed"
    assert "REQ-LIM-02" in verdict.detail


def test_a_bridge_that_says_nothing_is_an_error() -> None:
    """It cannot be judged, and the reason says where to look."""
    verdict = judged(lambda rig, told: None, "BUS-001")["BUS-001"]
    assert verdict.verdict == "error"
    assert "is it running" in verdict.detail


def test_a_bridge_that_dies_is_not_a_safe_one() -> None:
    """One that falls silent for good cannot be judged, however safe its silence is."""

    def dies(rig: SimulatedRig, told: Plain) -> Plain:
        rig.dies_ms = 10_000
        return told if rig.now_ms < rig.dies_ms else allows_nothing(rig, told)

    verdict = judged(dies, "BUS-011")["BUS-011"]
    assert verdict.verdict == "error"
    assert "told a charger nothing" in verdict.detail


def test_what_chargers_cannot_hear_is_skipped() -> None:
    """Without a discharge limit on the bus, stories of discharge are left out, and say why."""
    tells = ("charge_current_limit_ma", "charge_allowed")
    verdicts = judged(honest, "BUS-002", "BUS-004", "BUS-014", tells=tells)
    assert [verdicts[name].verdict for name in sorted(verdicts)] == ["pass", "skip", "skip"]
    assert "discharge_current_limit_ma to its chargers" in verdicts["BUS-004"].detail


def test_stories_cite_requirements() -> None:
    """Each story has its own id, and asks only what the requirements ask."""
    assert len({story.id for story in STORIES}) == len(STORIES)
    assert all(name in BY_ID for story in STORIES for name in story.requirements)
