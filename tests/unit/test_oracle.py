"""The second opinion: silent about an honest bridge, and loud about each kind of lie."""

import re
from fractions import Fraction
from pathlib import Path

import pytest

from conformance import oracle
from conformance.device import Device
from conformance.fuzzing.hostile import WRONG
from conformance.fuzzing.protocol import ProtocolMachine
from conformance.fuzzing.rest import rest
from conformance.fuzzing.talk import Ask, BreachedError, Talk
from conformance.fuzzing.words import HEALTHY
from conformance.oracle import Plain
from conformance.oracle.physical import Parallel, overload
from conformance.oracle.twins import TWINS, compare
from conformance.requirements import BY_ID

SETTINGS: Plain = {"packs": [{"pack": "oak"}, {"pack": "fir"}], "margin_permille": 0}


def bank(ask: Ask, seconds: int = 60, **words: object) -> Talk:
    """Two packs that say the same for a while."""
    talk = Talk(ask)
    talk.ask("reset", settings=SETTINGS)
    for _ in range(seconds):
        talk.passes(1_000)
        for name in ("oak", "fir"):
            talk.reports(name, {**HEALTHY, "capacity_mah": 100_000, **words})
        talk.step()
    return talk


def liar(lies: Plain) -> Ask:
    """Our own device, but for these fields of the view."""
    device = Device()

    def ask(request: Plain) -> Plain:
        answer = device.answer(request)
        view = answer.get("view")
        return {**answer, "view": {**view, **lies}} if isinstance(view, dict) else answer

    return ask


def test_an_honest_bridge_breaches_nothing() -> None:
    """A minute of our own device, open at its end."""
    talk = bank(Device().answer)
    view = talk.history[-1][1]["view"]
    assert isinstance(view, dict)
    assert view["charge_current_limit_ma"] == 100_000


@pytest.mark.parametrize(
    ("lies", "requirement"),
    [
        ({"charge_current_limit_ma": 200_001, "charge_allowed": True}, "REQ-SIL-04"),
        ({"charge_allowed": True}, "REQ-LIM-06"),
        ({"discharge_current_limit_ma": -1}, "REQ-PRO-07"),
        ({"discharge_current_limit_ma": None}, "REQ-PRO-07"),
        ({"charge_voltage_limit_mv": 57_601}, "REQ-LIM-02"),
        ({"discharge_voltage_limit_mv": 43_999}, "REQ-LIM-03"),
        ({"voltage_mv": 53_001}, "REQ-MRG-10"),
        ({"cell_max_mv": 3_314}, "REQ-MRG-05"),
        ({"temperature_min_decic": 210}, "REQ-MRG-06"),
        ({"protections": ["other"]}, "REQ-MRG-07"),
        ({"stage": "float"}, "REQ-STG-09"),
        ({"stage": "bulk"}, "REQ-STG-04"),
    ],
)
def test_each_lie_is_found(lies: Plain, requirement: str) -> None:
    """One false field, and the requirement that it breaches first."""
    with pytest.raises(BreachedError) as caught:
        bank(liar(lies))
    assert caught.value.breach.requirement == requirement


def test_a_limit_above_the_sum_is_found() -> None:
    """Two packs of 100 A at rest: 125 A leave the one that takes 4/5 within its limit; 200 A is the sum."""
    talk = bank(Device().answer)
    oracle_ = talk.oracle
    oracle_.known.view = dict(oracle_.known.view)
    for asked, found in (
        (125_000, []),
        (125_001, ["REQ-LIM-05"]),
        (200_000, ["REQ-LIM-05"]),
        (200_001, ["REQ-LIM-01", "REQ-LIM-05"]),
    ):
        oracle_.known.before["charge_current_limit_ma"] = 200_001
        oracle_.known.view["charge_current_limit_ma"] = asked
        breaches = list(oracle.currents(oracle_.known))
        assert [breach.requirement for breach in breaches] == found


def test_every_id_cited_exists() -> None:
    """What the oracle cites is in the requirements."""
    folder = Path(oracle.__file__).parent
    cited = {
        name
        for path in folder.glob("*.py")
        for name in re.findall(r"REQ-[A-Z]{3}-\d\d", path.read_text(encoding="utf-8"))
    }
    assert len(cited) > 30
    assert cited <= set(BY_ID)


def test_the_physical_check_splits_by_conductance() -> None:
    """8, 10 and 16 mOhm share 170 A as 80, 64 and 40 A less rounding: conductances 10:8:5."""
    parallel = Parallel(("a", "b", "c"), (10, 8, 5), (0, 0, 0), (60_000,) * 3, (60_000,) * 3)
    assert parallel.safe_total_ma("charge") == Fraction(60_000 * 23, 10)
    assert overload(parallel, Fraction(138_000), 0) is None
    found = overload(parallel, Fraction(138_200), 0)
    assert found is not None
    assert found.requirement == "REQ-LIM-05"
    assert found.bound == 138_050


@pytest.mark.parametrize("name", TWINS)
def test_our_own_twins_agree(name: str) -> None:
    """The same conversation, told otherwise."""
    talk = bank(Device().answer, 40, current_ma=30_000)
    talk.ask("request", kind="cap_charge_current", value=5_000)
    talk.step()
    talk.compare_twin(name)


def test_twins_that_differ_are_found() -> None:
    """A limit that is higher where it may not be."""
    low, high = {"charge_current_limit_ma": 1}, {"charge_current_limit_ma": 2}
    assert [one.requirement for one in compare("said_twice", [low], [high])] == ["REQ-MRG-08"]
    assert [one.requirement for one in compare("lower_limits", [low], [high])] == ["REQ-LIM-07"]
    assert not list(compare("lower_limits", [high], [low]))
    assert [one.requirement for one in compare("no_wishes", [high], [low])] == ["REQ-WSH-01"]


# Stories in which the second opinion was wrong once.


def speaks(talk: Talk, seconds: int, *packs: str, **fields: object) -> None:
    """These packs report every second, while time passes."""
    for _ in range(seconds):
        talk.passes(1_000)
        for name in packs:
            talk.reports(name, {**HEALTHY, "capacity_mah": 100_000}, **fields)
        talk.step()


def test_a_removed_pack_with_an_old_reading_is_silent_and_there() -> None:
    """Its next fresh reading is the first of as many as it takes to be back."""
    talk = bank(Device().answer)
    speaks(talk, 60, "oak")
    talk.ask("request", kind="declare_removed", pack="fir")
    speaks(talk, 5, "oak")
    talk.reports("fir", HEALTHY, age_ms=15_000, current_ma=5_000)
    talk.step()
    speaks(talk, 5, "oak", "fir", current_ma=5_000)
    assert not talk.broken


def test_nothing_falls_between_a_restart_and_the_first_step() -> None:
    """A soft wish falls along its slope from step to step, and there was none before."""
    device = Device()
    talk = bank(device.answer, 1)
    talk.ask("request", kind="cap_charge_voltage", value=52_000)
    state = talk.ask("snapshot")["state"]
    talk.ask("reset", settings=SETTINGS)
    talk.ask("restore", state=state)
    talk.passes(300)
    for name in ("oak", "fir"):
        talk.reports(name, HEALTHY)
    view = talk.step()
    assert view["charge_voltage_limit_mv"] == 53_120
    assert not talk.broken


def test_of_a_pack_that_may_be_frozen_nobody_knows_what_it_carries() -> None:
    """fir's readings stand still for long, move once, above its limit, and are well again: whoever had
    taken it for frozen has seen nothing above a limit that counts."""
    settings = {**SETTINGS, "frozen_ms": 20_000, "settle_ms": 30_000, "recovery_samples": 3}
    talk = Talk(Device().answer)
    talk.ask("reset", settings={**settings, "path_settle_ms": 0, "reenable_ms": 0})
    said = {**HEALTHY, "capacity_mah": 100_000}
    for second in range(60):
        talk.passes(1_000)
        talk.reports("oak", said, current_ma=5_000 * (second % 2))
        talk.reports("fir", said)
        talk.step()
    talk.passes(1_000)
    talk.reports("oak", said)
    talk.reports("fir", said, current_ma=120_000)
    talk.step()
    for second in range(20):
        talk.passes(1_000)
        for name in ("oak", "fir"):
            talk.reports(name, said, voltage_mv=53_000 + second % 2)
        view = talk.step()
    assert view["charge_allowed"] is True
    assert not talk.broken


def test_a_full_bank_says_so_for_as_long_as_it_takes() -> None:
    """Thirty seconds are not always those in which the readings move a little."""
    stages = {"dwell_ms": 10_000, "absorption_ms": 15_000}
    talk = Talk(Device().answer)
    packs = {"oak": {**HEALTHY, "capacity_mah": 100_000}}
    talk.ask("reset", settings={"packs": [{"pack": "oak"}], "reenable_ms": 0, "stages": stages})
    rest(talk, packs, "a full bank")
    assert "float" in [answer["view"]["stage"] for _, answer in talk.history if "view" in answer]


def test_a_story_that_was_given_up_has_no_end() -> None:
    """Hypothesis has closed its book by then, and takes no more verdicts."""
    ended = []

    class Story(ProtocolMachine):
        ask = staticmethod(Device().answer)
        done = staticmethod(lambda story: ended.append("done"))

        def ends(self) -> None:
            ended.append("ends")

    try:
        try:
            raise RuntimeError
        finally:
            Story().teardown()
    except RuntimeError:
        pass
    assert ended == ["done"]
    Story().teardown()
    assert ended == ["done", "ends", "done"]


def test_half_of_what_cannot_be_is_not_said() -> None:
    """A limit of 1,000,001 mA is refused; half of it would be taken, and be news."""
    report: Plain = {"op": "report", "pack": "oak", "charge_current_limit_ma": 1_000_001}
    assert TWINS["lower_limits"][0]([report]) == [report]
    report["charge_current_limit_ma"] = 1_000_000
    (twin,) = TWINS["lower_limits"][0]([report])
    assert twin["charge_current_limit_ma"] == 500_000


def test_no_hostile_line_is_one_that_may_be_sent() -> None:
    """A second hello is not expected, and means something."""
    assert not [line for _, line, _, _ in WRONG if b'"hello","kit"' in line]
