"""The second opinion: silent about an honest bridge, and loud about each kind of lie."""

import re
from fractions import Fraction
from pathlib import Path

import pytest

from conformance import oracle
from conformance.device import Device
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
