"""What counts as small and as steady: parts of the bank's size, which is rounded down."""

import pytest

from aggregator import Aggregator, BankSettings, PackReport, PackSettings
from aggregator.direction import Charge, Discharge
from tests.bank import HEALTHY, Site
from tests.unit.test_headroom import headroom

# A pack's size is its ceiling, or what empties it in two hours, or 50 A.
CEILINGS = [PackSettings(name, charge_current_ceiling_ma=100_999) for name in ("oak", "fir")]
BOTH = [
    PackSettings(name, charge_current_ceiling_ma=30_000, capacity_mah=200_000)
    for name in ("oak", "fir")
]
HOURS = [
    PackSettings(name, capacity_mah=capacity_mah)
    for name, capacity_mah in (("oak", 2_001), ("fir", 2_001), ("elm", 1_999))
]
UNKNOWN = [PackSettings(name) for name in ("oak", "fir")]


@pytest.mark.parametrize(
    ("packs", "quiet_ma"),
    [(CEILINGS, 201 * 50), (BOTH, 60 * 50), (HOURS, 2 * 50), (UNKNOWN, 100 * 50)],
    ids=["ceilings", "both", "hours", "unknown"],
)
@pytest.mark.parametrize("sign", [1, -1])
def test_a_total_is_quiet_to_the_milliampere(
    packs: list[PackSettings], quiet_ma: int, sign: int
) -> None:
    """5 % of the bank, in whole amperes, in or out: the room of such a moment still counts while the
    bank discharges."""
    for total_ma, counts in ((quiet_ma, True), (quiet_ma + 1, False)):
        site = Site(*packs)
        site.says("oak", current_ma=sign * total_ma)
        site.is_ready()
        site.says(current_ma=-20_000)
        site.runs(1)
        most_ma = min(100_000, packs[0].charge_current_ceiling_ma or 100_000)
        bare_ma = most_ma - 20_000 * (len(packs) - 1)
        quiet_room_ma = most_ma + min(0, sign * total_ma)
        assert headroom(site, "charge")[0] == (quiet_room_ma if counts else bare_ma)


@pytest.mark.parametrize(("swing_ma", "steady"), [(201 * 30, True), (201 * 30 + 1, False)])
def test_a_total_is_steady_to_the_milliampere(swing_ma: int, steady: bool) -> None:
    """3 % of the bank, in whole amperes, is as far as a steady total may move."""
    site = Site(*CEILINGS, coherent_keep_ms=20_000).is_ready()
    for turn in range(12):
        site.says("oak", current_ma=-40_000 - (swing_ma if turn % 2 else 0))
        site.says("fir", current_ma=-40_000)
        site.runs(5)
    bare_ma = 80_000 + 60_000
    assert (headroom(site, "discharge")[0] > bare_ma) is steady


def test_where_nothing_is_small_only_nothing_is_quiet() -> None:
    """With quiet_permille 0 a total of 0 counts from the first second on, and 1 mA does not."""
    for total_ma, room_ma in ((0, 100_000), (1, 80_000)):
        site = Site("oak", "fir", quiet_permille=0)
        site.says("oak", current_ma=total_ma)
        site.runs(5)
        site.says(current_ma=-20_000)
        site.runs(1)
        assert headroom(site, "charge")[0] == room_ma


@pytest.mark.parametrize(
    ("setting", "word", "charge", "discharge"),
    [
        ("charge_sharing", "worst_case", (False, False), (True, False)),
        ("charge_sharing", "learned", (False, True), (True, False)),
        ("discharge_sharing", "learned", (False, False), (True, True)),
        ("charger_limits", "output", (True, True), (True, False)),
    ],
)
def test_what_a_steady_moment_may_be_used_for(
    setting: str, word: str, charge: tuple[bool, bool], discharge: tuple[bool, bool]
) -> None:
    """With less than the worst split, unlearned and learned: loads step without asking, chargers only
    where they limit their output; shares only where the setting says so."""
    bank = BankSettings([PackSettings("oak")], **{setting: word})  # type: ignore[arg-type]
    assert (Charge().widens(bank), Charge().learns(bank)) == charge
    assert (Discharge().widens(bank), Discharge().learns(bank)) == discharge


@pytest.mark.parametrize(
    "change",
    [{"charge_path_closed": False}, {"discharge_path_closed": False}, {"current_ma": None}],
    ids=lambda change: next(iter(change)),
)
def test_a_window_in_which_something_changed_is_no_steady_moment(
    change: dict[str, object],
) -> None:
    """Whoever opens a path, either way, or stops telling its current spoils the steady moment that is
    remembered, and the window of 10 s under way; the next whole window gives a new one."""
    site = Site("oak", "fir", "elm")
    site.says(current_ma=-40_000)
    site.says("elm", current_ma=0)
    site.runs(65)
    assert headroom(site, "discharge")[0] > 80_000 + 60_000
    site.says("elm", **change)
    site.runs(1)
    site.says("elm", current_ma=0)
    widened = []
    for _ in range(20):
        widened.append(headroom(site, "discharge")[0] > 80_000 + 60_000)
        site.runs(1)
    assert widened.index(True) == 14  # at 80 s


def test_before_the_first_step_nothing_flowed() -> None:
    """A quiet moment counts with the lowest total of two windows; 0.5 A that flowed from the first step
    on may have begun just then."""
    for seconds, total_ma in ((19, 0), (22, 500)):
        settings = BankSettings(UNKNOWN, margin_permille=0, recovery_samples=1)
        bank = Aggregator(settings)
        for second in range(seconds):
            last = second == seconds - 1
            for pack, current_ma in (("oak", 500), ("fir", 0)):
                words = {**HEALTHY, "current_ma": -20_000 if last else current_ma}
                report = PackReport(pack, second, **words)  # type: ignore[arg-type]
                assert bank.accept(report, second * 1_000) is None
            bank.step(second * 1_000)
        room = next(cap for cap in bank.why("charge_current") if cap.rule == "headroom")
        assert room.value == total_ma + 99_500
